"""The command line as a person meets it: help at once, mistakes in one line, the right exit code, no traceback."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from footroom.host_adapter.effects.shared import DITHER
from footroom.kernels import Dither


def footroom(*arguments: str, **options):
    command = [sys.executable, "-m", "footroom.host_adapter.headless", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False, **options)


def test_the_words_are_the_kernels_own():
    assert DITHER.words == tuple(member.value for member in Dither)


def test_help_loads_nothing_heavy():
    code = (
        "import sys\nfrom footroom.host_adapter.headless import command\n"
        "try:\n    command.main(['mend', '--help'])\nexcept SystemExit: pass\n"
        "heavy = {'numpy', 'numba', 'colour', 'av', 'OpenImageIO', 'matplotlib', 'rich'} & set(sys.modules)\n"
        "sys.exit(f'loaded {heavy}' if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "--even-so" in done.stdout


@pytest.mark.parametrize(
    ("arguments", "words_said"),
    [
        (("survey",), "Name at least one"),
        (("survey", "nowhere.mov"), "nowhere.mov: there is no such file"),
        (("survey", "--frames", "0", "x.mov"), "--frames"),
        (("survey", "--curve", "No Such Curve", "x.mov"), "No Such Curve"),
        (("mend", "x.mov", "--out", "o"), "--remedy"),
        (("mend", "x.mov", "--out", "o", "--remedy", "lift"), "--from"),
        (("mend", "x.mov", "--out", "o", "--remedy", "polish"), "polish"),
        (("mend", "--out", "o", "--remedy", "retag", "--to", "full"), "Name at least one"),
        (("mend", "x.mov", "--out", "o", "--plan", "p.toml"), "either --plan"),
        (("mend", "--out", "o", "--plan", "p.toml"), "no such plan"),
        (("mend", "x.mov", "--out", "o", "--remedy", "retag", "--to", "full"), "x.mov: there is no such file"),
        (("polish",), "polish"),
    ],
)
def test_a_mistake_is_one_line_and_exit_code_2(tmp_path, arguments, words_said):
    done = footroom(*arguments, cwd=tmp_path)
    assert done.returncode == 2
    assert words_said in done.stderr
    assert "Traceback" not in done.stderr + done.stdout
    left = [path.name for path in tmp_path.rglob("*") if path.name != "o"]
    assert left == []


def test_what_is_not_media_is_said_so(tmp_path):
    note = tmp_path / "notes.mov"
    note.write_text("not a movie at all\n" * 50)
    done = footroom("survey", str(note))
    assert done.returncode == 2
    assert "notes.mov" in done.stderr
    assert "Traceback" not in done.stderr


def test_json_alone_goes_to_standard_output_also_for_an_error(tmp_path):
    import json

    done = footroom("mend", "--json", "--out", str(tmp_path / "o"), "--plan", str(tmp_path / "p.toml"))
    assert done.returncode == 2
    assert "no such plan" in json.loads(done.stdout)["error"]


def test_a_closed_pipe_is_no_error(tmp_path):
    reader, writer = os.pipe()
    os.close(reader)
    command = [sys.executable, "-m", "footroom.host_adapter.headless", "survey", "--curves"]
    done = subprocess.run(command, stdout=writer, stderr=subprocess.PIPE, text=True, check=False)
    os.close(writer)
    assert "Traceback" not in done.stderr
    assert "Exception" not in done.stderr
