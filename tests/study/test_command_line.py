"""The command line keeps its conventions: help with an example, documented exit status, completion, no colour."""

from __future__ import annotations

import argparse
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
from terminal import on_terminal

from outflow_cohort.cli import EXIT_FAILED, EXIT_OK, EXIT_STUDY, EXIT_USAGE, build_parser, main
from outflow_cohort.handbook.build import write_handbook

PARSER = build_parser()
COMMANDS = next(a for a in PARSER._actions if isinstance(a, argparse._SubParsersAction)).choices


@pytest.mark.parametrize("name", COMMANDS)
def test_help_ends_with_an_example_that_parses(name: str, capsys: pytest.CaptureFixture[str]):
    with pytest.raises(SystemExit) as left:
        main([name, "--help"])
    text = capsys.readouterr().out
    assert left.value.code == EXIT_OK
    assert "research only" in text
    assert "exit status:" in text
    assert "--json-log" in text
    example = next(line for line in text.splitlines() if line.startswith("example: outflow-cohort "))
    words = shlex.split(example.removeprefix("example: outflow-cohort "))
    if ">" in words:
        words = words[: words.index(">")]
    assert words[0] == name
    assert PARSER.parse_args(words).function is COMMANDS[name].get_default("function")


@pytest.mark.parametrize(
    ("words", "status"),
    [(["--version"], EXIT_OK), ([], EXIT_USAGE), (["compare", "nowhere_a", "nowhere_b"], EXIT_USAGE),
     (["status", "nowhere"], EXIT_FAILED), (["check", "nowhere.yaml"], EXIT_STUDY)],
)  # fmt: skip
def test_exit_status(words: list[str], status: int, capsys: pytest.CaptureFixture[str]):
    assert main(words) == status


def test_a_word_too_many_is_wrong_use(capsys: pytest.CaptureFixture[str]):
    with pytest.raises(SystemExit) as left:
        main(["status", "a", "b"])
    assert left.value.code == EXIT_USAGE


def test_the_handbook_documents_commands_and_exit_status(tmp_path: Path):
    write_handbook(output=tmp_path, parser=build_parser())
    text = (tmp_path / "pages/commands.md").read_text(encoding="utf-8")
    for name in COMMANDS:
        assert f"## {name}" in text
    rows = {line.split("|")[1].strip(): line for line in text.splitlines() if line.startswith("| ")}
    for status in (EXIT_OK, EXIT_FAILED, EXIT_USAGE, EXIT_STUDY):
        assert str(status) in rows
    nav = (tmp_path / "mkdocs.yml").read_text(encoding="utf-8")
    for page in (tmp_path / "pages").rglob("*.md"):
        assert page.relative_to(tmp_path / "pages").as_posix() in nav


def test_bash_completes_commands_and_options(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    main(["completion", "bash"])
    script = tmp_path / "completion.bash"
    script.write_text(capsys.readouterr().out, encoding="utf-8")
    asked = [("", "ex", 1, "export-landmarks"), ("export-landmarks", "--f", 2, "--format")]
    for before, typed, place, wanted in asked:
        words = " ".join(w for w in ("outflow-cohort", before, typed) if w)
        line = f"source {shlex.quote(str(script))}; COMP_WORDS=({words}); COMP_CWORD={place}; "
        line += 'f=$(complete -p outflow-cohort | sed "s/.*-F //; s/ .*//"); $f; printf "%s\\n" "${COMPREPLY[@]}"'
        done = subprocess.run(["bash", "-c", line], capture_output=True, text=True, check=True)
        assert wanted in done.stdout.split(), done.stderr


def test_each_option_says_what_it_is():
    for name, command in COMMANDS.items():
        for action in command._actions:
            assert action.help or action.choices, (name, action.dest)


@pytest.mark.parametrize("variables", [{}, {"NO_COLOR": "1"}, {"FORCE_COLOR": "1", "TERM": "xterm-256color"}])
def test_no_colour_is_ever_printed(variables: dict[str, str], tmp_path: Path):
    """no-color.org: NO_COLOR must silence colour; the commands here print none at all, also on a terminal."""
    for words in (["--help"], ["check", str(tmp_path / "nowhere.yaml")]):
        written = on_terminal([sys.executable, "-m", "outflow_cohort", *words], variables)
        assert written
        assert b"\x1b[" not in written
