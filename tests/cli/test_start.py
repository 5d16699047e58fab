"""Help is instant, and what it says agrees with the documents."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import click
import pytest

from xmpsync.cli.main import cli

ROOT = Path(__file__).resolve().parents[2]


def test_help_loads_neither_numpy_nor_a_decoder_nor_a_model() -> None:
    code = (
        "import sys\nsys.argv = ['xmpsync', '--help']\nfrom xmpsync.cli.main import run\n"
        "try:\n    run()\nexcept SystemExit:\n    pass\n"
        "heavy = {'numpy', 'scipy', 'colour', 'rawpy', 'onnxruntime', 'PIL', 'lxml', 'msgspec', 'rich'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    printed = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert printed.splitlines()[-1] == "[]"


def test_the_list_of_runs_loads_nothing_that_measures_or_solves(tmp_path: Path) -> None:
    code = (
        f"import sys\nsys.argv = ['xmpsync', 'runs', {str(tmp_path)!r}]\nfrom xmpsync.cli.main import run\n"
        "try:\n    run()\nexcept SystemExit:\n    pass\n"
        "heavy = {'numpy', 'scipy', 'colour', 'rawpy', 'onnxruntime', 'PIL', 'lxml', 'pebble', 'tifffile'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "Nothing was written yet." in done.stderr and done.stdout.splitlines()[-1] == "[]"


def test_importing_the_package_loads_nothing_heavy() -> None:
    code = "import sys, xmpsync; print('numpy' in sys.modules, 'click' in sys.modules)"
    assert (
        subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
        == "False False\n"
    )


@pytest.mark.parametrize("name", sorted(cli.commands))
def test_every_option_that_the_readme_names_exists(name: str) -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    known = {
        option for command in cli.commands.values() for p in command.params for option in (*p.opts, *p.secondary_opts)
    }
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", readme)) - {"--help"}
    assert named and named <= known
    assert f"xmpsync {name}" in readme


def test_every_option_has_a_help_text() -> None:
    options = [(c, p) for c, command in cli.commands.items() for p in command.params if isinstance(p, click.Option)]
    assert len(options) > 40
    assert [(c, p.name) for c, p in options if not p.help] == []


def test_a_wrong_option_is_wrong_usage() -> None:
    result = subprocess.run(
        [sys.executable, "-m", "xmpsync", "check", "--nonsense"], check=False, capture_output=True, text=True
    )
    assert result.returncode == 2 and "nonsense" in result.stderr


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_scripts_are_printed(shell: str) -> None:
    result = subprocess.run(
        [sys.executable, "-m", "xmpsync", "completion", shell], check=False, capture_output=True, text=True
    )
    assert result.returncode == 0, result.stderr
    assert f"_XMPSYNC_COMPLETE={shell}_complete" in result.stdout


def test_what_the_script_asks_is_answered(tmp_path: Path) -> None:
    """The request that the bash script makes, as click documents it ("Shell completion")."""
    program = tmp_path / "xmpsync"
    program.write_text(f"#!{sys.executable}\nfrom xmpsync.cli.main import run\nrun()\n")
    program.chmod(0o755)
    asked = {"COMP_WORDS": "xmpsync correct --strength-", "COMP_CWORD": "2", "_XMPSYNC_COMPLETE": "bash_complete"}
    result = subprocess.run(
        [program], check=False, capture_output=True, text=True, env={**os.environ, "PYTHONPATH": str(ROOT), **asked}
    )
    assert result.stdout.split() == ["plain,--strength-at"], result.stderr


def test_an_unknown_shell_is_wrong_usage() -> None:
    result = subprocess.run(
        [sys.executable, "-m", "xmpsync", "completion"], check=False, capture_output=True, text=True,
        env={**os.environ, "SHELL": "/bin/unheard-of"},
    )  # fmt: skip
    assert result.returncode == 2 and "xmpsync completion" in result.stderr
