"""The page a person looks at: one self-contained HTML file, plain and printable.

Nothing on it is loaded from anywhere: pictures are inside, there is no script.
"""

from __future__ import annotations

import html
from importlib import resources
from pathlib import Path

from xmpsync import __version__
from xmpsync.colour.difference import xyz_d50_from_lab
from xmpsync.errors import XmpsyncError
from xmpsync.records import Settings3
from xmpsync.review.chart import difference_chart
from xmpsync.review.pictures import css_colour, data_uri, render_proxy, swatch
from xmpsync.shoot.check import Figures, figures
from xmpsync.shoot.correct import Correction
from xmpsync.shoot.propose import Numbers, Row
from xmpsync.solve.problem import Face, Frame
from xmpsync.solve.solution import NEEDS_HANDWORK, FaceResult, Finding

PICTURE_SIDE_PX = 320


def write_report(path: Path, correction: Correction) -> None:
    """Write the page.

    Raises XmpsyncError when the file cannot be written.
    """
    text = page(correction)
    try:
        path.write_text(text, encoding="utf-8", errors="backslashreplace")
    except OSError as error:
        raise XmpsyncError(
            f"The page {path} cannot be written: {error.strerror}.", next_step="Choose another place for it."
        ) from error


def page(correction: Correction) -> str:
    """The whole page as HTML."""
    css = resources.files("xmpsync.review").joinpath("page.css").read_text(encoding="utf-8")
    rows = {row.frame_id: row for row in correction.proposal.rows}
    frames = sorted(correction.proposal.request.frames, key=lambda f: (f.capture.time_s or 0.0, f.frame_id))
    sections = [
        _head(correction),
        _persons(correction, frames, rows),
        _chart(frames, rows),
        _handwork(correction.proposal.rows),
        _notes(correction),
        _table(correction, frames, rows),
    ]
    title = f"Skin of {_text(correction.ready.root.resolve().name)}"
    body = "\n".join(section for section in sections if section)
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta name="viewport" content="width=device-width, initial-scale=1"><title>{title}</title>'
        f"<style>{css}</style></head><body>\n<h1>{title}</h1>\n{body}\n</body></html>\n"
    )


def _text(value: str) -> str:
    return html.escape(value.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace"))


def _head(correction: Correction) -> str:
    options = correction.ready.options
    before = figures(correction.proposal.solution, options, after=False)
    after = figures(correction.proposal.solution, options, after=True)
    references = ", ".join(_text(r) for r in options.references)
    return (
        f"<p>{len(correction.proposal.rows)} frames, {before.n_faces} faces judged. Reference: {references}.</p>"
        f"<p>Skin against its reference, at equal luminance: {_spread(before)} before, {_spread(after)} after.</p>"
        '<p class="faint">The pictures are rendered by the colour model, without a tone curve: they are not your '
        "editor's. Judge colour in the editor, on a calibrated display. Each person keeps their own skin colour. "
        f"xmpsync {__version__}</p>"
    )


def _spread(value: Figures) -> str:
    if value.de00_median is None:
        return "nothing to judge"
    return (
        f"{value.de00_median:.1f} ΔE₀₀ (95 % below {value.de00_p95:.1f}) and {value.ev_median:.2f} EV, "
        f"{value.n_within} of {value.n_faces} within tolerance"
    )


def _persons(correction: Correction, frames: list[Frame], rows: dict[str, Row]) -> str:
    blocks = []
    for person in correction.proposal.solution.persons:
        before, after, names = [], [], []
        for frame in frames:
            row = rows[frame.frame_id]
            for face, result in _faces(frame, row):
                if result.person != person.name or face.skin is None:
                    continue
                before.append(swatch(face.skin.camera, frame.profile, frame.baseline, frame.baseline_exposure_ev))
                settings = row.result.correction or frame.baseline
                after.append(swatch(face.skin.camera, frame.profile, settings, frame.baseline_exposure_ev))
                names.append(frame.frame_id)
        if not before:
            continue
        reference = css_colour(xyz_d50_from_lab(person.lab_d50))
        kind = "has a reference" if person.referenced else "no reference: own colour estimated"
        about = f"({len(before)} faces, {kind})"
        blocks.append(
            f'<div class="person"><h3>{_text(person.name)} <span class="faint">{about}</span></h3>'
            f"{_strip('before', before, names)}"
            f'<div class="labelled"><span class="faint">own colour</span>'
            f'<div class="strip reference"><i style="background:{reference}"></i></div></div>'
            f"{_strip('after', after, names)}</div>"
        )
    return "<h2>The strip of skin</h2>" + "".join(blocks) if blocks else ""


def _strip(label: str, colours: list[str], names: list[str]) -> str:
    cells = "".join(
        f'<i style="background:{colour}" title="{_text(name)}"></i>'
        for colour, name in zip(colours, names, strict=True)
    )
    return f'<div class="labelled"><span class="faint">{label}</span><div class="strip">{cells}</div></div>'


def _faces(frame: Frame, row: Row) -> list[tuple[Face, FaceResult]]:
    by_id = {face.face_id: face for face in frame.faces}
    return [(by_id[result.face_id], result) for result in row.result.faces if result.face_id in by_id]


def _chart(frames: list[Frame], rows: dict[str, Row]) -> str:
    points = []
    for index, frame in enumerate(frames):
        for result in rows[frame.frame_id].result.faces:
            if result.delta_e00_before is not None and result.delta_e00_after is not None:
                points.append((index, result.delta_e00_before, result.delta_e00_after))
    if not points:
        return ""
    return "<h2>Difference to the person's own colour, frame by frame</h2>" + difference_chart(points, len(frames))


def _handwork(rows: tuple[Row, ...]) -> str:
    lines = []
    for row in rows:
        for finding in row.result.findings:
            if finding.code in NEEDS_HANDWORK:
                lines.append(f"<tr><td>{_text(row.frame_id)}</td><td>{_finding(finding)}</td></tr>")
    if not lines:
        return "<h2>Needs handwork</h2><p>Nothing.</p>"
    return f"<h2>Needs handwork</h2><table><tr><th>frame</th><th>why</th></tr>{''.join(lines)}</table>"


def _finding(finding: Finding) -> str:
    local = "".join(
        f"<br>{_text(d.person or d.face_id)}: {d.d_exposure_ev:+.2f} EV, {d.d_mired:+.0f} mired, {d.d_tint:+.0f} tint"
        for d in finding.local
    )
    return (
        f'<p class="finding"><b>{_text(finding.code.value.replace("-", " "))}</b>: {_text(finding.advice)}{local}</p>'
    )


def _notes(correction: Correction) -> str:
    lines = [f"<li>{_text(t.sentence)}</li>" for t in correction.troubles]
    lines += [f"<li>{_text(f'{f.frame_id}: left out, {f.reason}')}</li>" for f in correction.left_out]
    lines += [
        f"<li>{_text(note)}</li>" for note in (*correction.ready.stand.notes(), *correction.proposal.solution.notes)
    ]
    return f"<h2>Notes</h2><ul>{''.join(lines)}</ul>" if lines else ""


def _table(correction: Correction, frames: list[Frame], rows: dict[str, Row]) -> str:
    lines = []
    for frame in frames:
        row = rows[frame.frame_id]
        measurement = correction.ready.stand.frames[frame.frame_id].measurement
        after = row.result.correction or frame.baseline
        pictures = "".join(
            _figure(measurement.proxy, frame, settings, caption)
            for settings, caption in ((frame.baseline, "before"), (after, "after"))
        )
        judged = [f for f in row.result.faces if f.delta_e00_before is not None]
        skin = "<br>".join(
            f"{_text(f.person or '?')} {f.delta_e00_before:.1f} → {f.delta_e00_after:.1f}"
            for f in judged
            if f.delta_e00_after is not None
        )
        findings = "".join(_finding(finding) for finding in row.result.findings)
        lines.append(
            f'<tr><td>{_text(frame.frame_id)}<br><span class="faint">{row.result.basis.value}, '
            f'light {row.result.group + 1}</span></td><td><div class="pair">{pictures}</div></td>'
            f'<td class="number">{_numbers(row.before)}</td>'
            f'<td class="number">{_numbers(row.after) if row.after else "unchanged"}</td>'
            f'<td class="number">{skin}</td><td>{findings}</td></tr>'
        )
    head = (
        '<tr><th>frame</th><th>pictures</th><th class="number">before</th><th class="number">after</th>'
        '<th class="number">skin ΔE₀₀</th><th>findings</th></tr>'
    )
    return f"<h2>Every frame</h2><table>{head}{''.join(lines)}</table>"


def _figure(proxy: bytes, frame: Frame, settings: Settings3, caption: str) -> str:
    jpeg = render_proxy(proxy, frame.profile, settings, frame.baseline_exposure_ev, PICTURE_SIDE_PX)
    return (
        f'<figure><img loading="lazy" src="{data_uri(jpeg)}" alt="{caption}">'
        f"<figcaption>{caption}</figcaption></figure>"
    )


def _numbers(numbers: Numbers) -> str:
    if numbers.temperature_k is None or numbers.tint is None:
        white = "as shot"
    else:
        white = f"{numbers.temperature_k:.0f} K<br>{numbers.tint:+.0f}"
    return f"{white}<br>{numbers.exposure_ev:+.2f} EV"
