"""The faces of one frame: what metadata regions say, what the detector sees, and what was marked by hand, as one list.

Decisions: a region and a detection are one face when they overlap, or when each holds the other's centre and their
sizes agree. The detector's box and points then win (regions may be drawn loosely), the name comes from the region. A
region without a detection is looked at closely; where there is neither a face nor skin it is stale, and is dropped with
a note. A weak detection counts only when close looks at it show a face, a little less surely where
the mesh sees one too.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from xmpsync.faces import places as shapes
from xmpsync.faces.balance import picture_for_detection
from xmpsync.faces.detector import Detector, moved
from xmpsync.faces.identity import Identity
from xmpsync.faces.matching import MatchSettings, grown, is_taken, marked_face, paired, same_face
from xmpsync.faces.mesh import LEFT_EYE, RIGHT_EYE, Mesh
from xmpsync.faces.pixels import cut, evened
from xmpsync.faces.records import Detection, FoundFace, Mark, MeshFit, NamedBox, NamedRegion, Origin, Picture, Search
from xmpsync.faces.skinlike import skin_likeness
from xmpsync.records import Box, Vec2, Vec3


@dataclass(frozen=True, slots=True)
class FinderSettings:
    """When boxes are one face, and when a face is none."""

    sure_score: float = 0.72
    """A detection this strong needs no second opinion: no false one on the bench came near it (0.55)."""
    belief: float = 0.3
    """What a weaker one needs, in sum, beside a sure face: its score in the close looks ..."""
    belief_alone: float = 0.35
    """The same where nobody is sure: a face is likelier where people are. Of 57 pictures of animals and things one has
    something above it, two above 0.3; of weak true faces one in a hundred lies between."""
    belief_last: float = 0.5
    """And in the last looks, enlarged or turned: of 90 such pictures two had something there, 0.39 and 0.41, while a
    frame whose tag is wrong shows one of its faces surely."""
    own_weight: float = 0.2
    """... this much of its own score as a candidate ..."""
    mesh_weight: float = 0.1
    """... and this much of what the mesh, a second network, scores there. Faces of 24 px in the dark, and dark faces,
    often have nothing there, so it is no condition."""
    mesh_score: float = 0.6
    """The mesh's belief (0..1) that counts as seen, where a region or an identity asks for it."""
    mesh_iou: float = 0.3
    """Overlap of the mesh with the detection's box: beside a real face the mesh moves onto the neighbour and believes
    firmly (7 of 7 such false ones lay below, 1 of 115 true ones)."""
    lying_deg: float = 60.0
    """Where most faces of a frame roll by more, its orientation tag is wrong: it is looked at turned."""
    skin_likeness: float = 0.3
    """Share of skin-like pixels that a region needs where no face is seen."""
    close_look: float = 2.2
    """A region without detection is cut out with this much around it and shown to the detector again."""
    region_score: float = 0.15
    """The score that counts there: the region itself is evidence."""
    identity_px: float = 20.0
    """Height of a face in pixels below which no identity is computed; above, `identity_sd` says how little it says."""
    patch: float = 0.03
    """A hand-made point without a face becomes a patch this wide, parts of the picture's shorter side."""
    match: MatchSettings = field(default_factory=MatchSettings)


class FaceFinder:
    """Detector, mesh and (unless left out) identity at work on one picture. One per process."""

    def __init__(
        self,
        detector: Detector | None = None,
        mesh: Mesh | None = None,
        identity: Identity | None = None,
        settings: FinderSettings | None = None,
    ) -> None:
        self._detector = detector or Detector()
        self._mesh = mesh or Mesh()
        self._identity = identity
        self._settings = settings or FinderSettings()

    def find(
        self,
        camera: npt.NDArray[np.floating],
        *,
        neutral: Vec3 | None = None,
        regions: Sequence[tuple[str | None, Box]] = (),
        hands: Sequence[tuple[str | None, Vec2]] = (),
    ) -> tuple[tuple[FoundFace, ...], tuple[str, ...]]:
        """The faces of a frame, from left to right, hand-made patches last; and notes on what was not believed.

        `camera`: linear camera values (h, w, 3), upright, some 1000-1500 pixels on the longer side. `neutral`: the
        as-shot neutral in camera RGB. `regions`: name and box from metadata. `hands`: name and point marked by hand.
        """
        search = self.search(
            picture_for_detection(camera, neutral),
            [NamedBox(name, box) for name, box in regions],
            [Mark(x, y, name) for name, (x, y) in hands],
        )
        return search.faces, search.notes

    def search(self, picture: Picture, regions: Sequence[NamedRegion] = (), hands: Sequence[Mark] = ()) -> Search:
        """The same for a finished picture, uint8 (h, w, 3), upright.

        `regions`: boxes from metadata, with or without names. `hands`: marks by hand.
        """
        looks = (self._believed(self._judged(picture, found), alone) for found, alone in self._looks(picture))
        seen = next((believed for believed in looks if believed), [])
        faces, notes = self._with_regions(picture, self._upright(picture, seen), regions)
        faces.sort(key=lambda f: (f.face.box.centre, f.face.name or ""))
        named = [replace(f, face_id=f"f{i}") for i, f in enumerate(self._identified(picture, faces), start=1)]
        return Search(self._with_marks(picture, named, hands), tuple(notes))

    def _looks(self, picture: Picture) -> Iterator[tuple[tuple[Detection, ...], float]]:
        """Candidates, and what they need where none is sure; one look after the other, as long as none shows a face."""
        s = self._settings
        yield self._detector.look(picture), s.belief_alone
        yield self._detector.plain_look(evened(picture)), s.belief_alone
        for found in self._detector.second_looks(picture):
            yield found, s.belief_last

    def _believed(self, judged: Sequence[_Seen], alone: float) -> list[_Seen]:
        """Those that are faces, each face once: two candidates may be one face when looked at closely."""
        s = self._settings
        beside = any(one.detection.score >= s.sure_score for one in judged)
        least = s.belief if beside else alone
        believed = {one.detection: one for one in judged if one.detection.score >= least}
        return [believed[d] for d in self._detector.merged(list(believed))]

    def _judged(self, picture: Picture, candidates: Iterable[Detection]) -> list[_Seen]:
        """Candidates that may be enough of a face, `score` the sum of what the close looks show."""
        judged = (self._closely(picture, candidate) for candidate in candidates)
        return [one for one in judged if one is not None]

    def _closely(self, picture: Picture, candidate: Detection) -> _Seen | None:
        s = self._settings
        if candidate.score >= s.sure_score:
            return _Seen(candidate, self._mesh.fit(picture, candidate))
        close = self._detector.closer(picture, candidate)
        if close is None:
            return None
        belief = close.score + s.own_weight * candidate.score
        if belief + s.mesh_weight < s.belief:
            return None
        fit = self._mesh.fit(picture, close)
        if _mesh_box(fit).iou(close.box) >= s.mesh_iou:
            belief += s.mesh_weight * fit.score
        return _Seen(replace(close, score=min(belief, s.sure_score)), fit)

    def _upright(self, picture: Picture, seen: list[_Seen]) -> list[_Seen]:
        """The same faces, or those of the picture turned, where most of them lie: a wrong tag hides the others."""
        turns = [_quarter_turns(one.fit, picture, self._settings.lying_deg) for one in seen]
        turn = max((1, 2, 3), key=turns.count)
        if 2 * turns.count(turn) <= len(seen):
            return seen
        turned = self._believed(
            self._judged(picture, self._detector.turned_look(picture, turn)), self._settings.belief_alone
        )
        return turned if len(turned) >= len(seen) else seen

    def _with_regions(
        self, picture: Picture, seen: list[_Seen], regions: Sequence[NamedRegion]
    ) -> tuple[list[_Found], list[str]]:
        """Faces without final ids, and notes on dropped regions."""
        pairs = paired([one.detection.box for one in seen], [r.box for r in regions], self._settings.match)
        faces = [_face(one, None, Origin.DETECTOR) for i, one in enumerate(seen) if i not in pairs.values()]
        notes = []
        for i, region in enumerate(regions):
            if i in pairs:
                faces.append(_face(seen[pairs[i]], region.name, Origin.REGION_AND_DETECTOR))
                continue
            found, note = self._looked_at(picture, region, [f.face.box for f in faces])
            faces += [found] if found else []
            notes += [note] if note else []
        return faces, notes

    def _looked_at(self, picture: Picture, region: NamedRegion, taken: list[Box]) -> tuple[_Found | None, str | None]:
        """The face of a region that no detection answers to; or the reason why there is none."""
        s = self._settings
        who = f"region '{region.name}'" if region.name else "a region without name"
        area = grown(region.box, s.close_look - 1)
        if (
            min(area.left + area.width, 1) - max(area.left, 0) <= 0
            or min(area.top + area.height, 1) - max(area.top, 0) <= 0
        ):
            return None, f"{who} lies outside the picture: dropped"
        part, covered = cut(picture, area)
        close = [moved(d, covered) for d in self._detector.look(part, s.region_score)]
        fits = [_Seen(d, self._mesh.fit(picture, d)) for d in close if same_face(d.box, region.box, s.match)]
        believed = [
            one for one in fits if one.fit.score >= s.mesh_score and not is_taken(one.detection.box, taken, s.match)
        ]
        if believed:
            best = max(believed, key=lambda one: one.detection.score)
            return _face(best, region.name, Origin.REGION_AND_DETECTOR), None
        place = shapes.inner_ellipse(region.box)
        if skin_likeness(picture, place.polygon) < s.skin_likeness:
            return None, f"{who}: neither a face nor skin there (stale?): dropped"
        return _Found(FoundFace("", region.name, region.box, Origin.REGION, 0.0, None, (place,))), None

    def _identified(self, picture: Picture, faces: list[_Found]) -> list[FoundFace]:
        """The faces, with identity where it is wanted and the face is large and frontal enough: one call for all."""
        s, yaw = self._settings, self._mesh.settings.yaw_deg
        fits = {
            i: f.fit
            for i, f in enumerate(faces)
            if f.fit and f.fit.score >= s.mesh_score and f.fit.face_px >= s.identity_px and abs(f.fit.yaw_deg) <= yaw
        }
        result = [f.face for f in faces]
        if self._identity is not None:
            for i, known in zip(fits, self._identity.known(picture, list(fits.values())), strict=True):
                result[i] = replace(result[i], identity=known.vector, identity_sd=known.sd)
        return result

    def _with_marks(self, picture: Picture, faces: list[FoundFace], marks: Sequence[Mark]) -> tuple[FoundFace, ...]:
        result = list(faces)
        patches: list[FoundFace] = []
        for mark in marks:
            at = (
                None
                if mark.box is not None
                else marked_face(mark.x, mark.y, [f.box for f in faces], self._settings.match)
            )
            if at is None:
                box = mark.box or self._patch_box(picture, mark)
                where = (shapes.patch(box),)
                patches.append(
                    FoundFace(f"h{len(patches) + 1}", mark.name, box, Origin.HAND, 1.0, None, where, marked=True)
                )
            else:
                result[at] = replace(result[at], name=mark.name or result[at].name, marked=True)
        return (*result, *patches)

    def _patch_box(self, picture: Picture, mark: Mark) -> Box:
        height, width = picture.shape[:2]
        side = self._settings.patch * min(height, width)
        return Box(mark.x - side / width / 2, mark.y - side / height / 2, side / width, side / height)


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """A candidate with what was seen there."""

    detection: Detection
    fit: MeshFit


def _mesh_box(fit: MeshFit) -> Box:
    (left, top), (right, bottom) = fit.points.min(axis=0), fit.points.max(axis=0)
    return Box(float(left), float(top), float(right - left), float(bottom - top))


def _quarter_turns(fit: MeshFit, picture: Picture, lying_deg: float) -> int:
    """By how many quarter turns (anticlockwise) the picture must be turned for the head to stand; 0 unless it lies."""
    height, width = picture.shape[:2]
    points = fit.points * (width, height)
    x, y = points[list(LEFT_EYE)].mean(axis=0) - points[list(RIGHT_EYE)].mean(axis=0)
    roll = float(np.degrees(np.arctan2(y, x)))  # 90: the eyes run downwards
    return round(roll / 90) % 4 if abs(roll) > lying_deg else 0


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    face: FoundFace
    fit: MeshFit | None = None


def _face(seen: _Seen, name: str | None, origin: Origin) -> _Found:
    detection, fit = seen.detection, seen.fit
    where = shapes.places(fit, detection.box, detection.points)
    # the detector's box wanders by 3.5 % of the face between one look and the next, the mesh's by a third of that
    box = _mesh_box(fit) if fit.reliable else detection.box
    face = FoundFace("", name, box, origin, detection.score, fit.yaw_deg, where, reliable=fit.reliable)
    return _Found(face, fit)


def make_finder(*, people: bool, threads: int = 1) -> FaceFinder:
    """A finder with the shipped models; `people` adds identity vectors."""
    return FaceFinder(Detector(threads), Mesh(threads), Identity(threads) if people else None)
