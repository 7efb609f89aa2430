"""The handbook's story, command by command, on a small invented study in the place of the demonstration."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from importlib import resources
from pathlib import Path

import pytest
from workflow_runs import DEMO, PROJECT

STATUS = re.compile(r"#\s*exit status (\d)")


def blocks(language: str) -> list[str]:
    """The code blocks of the page in one language."""
    text = resources.files("outflow_cohort.handbook").joinpath("texts", "story.md").read_text(encoding="utf-8")
    return re.findall(rf"^```{language}\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)


@pytest.fixture(scope="module")
def told(finished_study: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, str]]:
    """The folder after all commands of the page, and what each of them printed.

    CT and measured cases are those of the small study that other tests ran, so that the workflow finds them done.
    """
    folder = tmp_path_factory.mktemp("story")
    shutil.copytree(finished_study, folder / "tern_bay", copy_function=shutil.copy2)
    (folder / "config").mkdir()
    (folder / "config/demo.yaml").write_text(DEMO, encoding="utf-8")
    for name in ("Snakefile", "pipeline", "shared"):
        (folder / name).symlink_to(PROJECT / name)
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    said: dict[str, str] = {}
    for line in "\n".join(blocks("sh")).splitlines():
        if line.startswith("snakemake "):  # the same tables as the run that is there had, with their times
            shutil.copytree(finished_study, folder / "tern_bay", dirs_exist_ok=True, copy_function=shutil.copy2)
        wanted = STATUS.search(line)
        command = line.replace(" --with-images", "")
        done = subprocess.run(
            ["bash", "-c", command],
            cwd=folder,
            env=os.environ | {"PATH": path},
            capture_output=True,
            text=True,
            check=False,
        )
        said[line] = said.get(line, "") + done.stdout + done.stderr
        assert done.returncode == int(wanted[1] if wanted else 0), f"{line}\n{said[line][-3000:]}"
    return folder, said


def test_the_slip_is_named_with_the_nearest_key(told: tuple[Path, dict[str, str]]):
    (said,) = (text for line, text in told[1].items() if STATUS.search(line))
    assert "definitons" in said
    assert "definitions" in said.replace("definitons", "")


def test_the_story_ends_with_tables_figures_and_a_record(told: tuple[Path, dict[str, str]]):
    folder, said = told
    assert len(said) >= 8
    for name in ("tables/tables.docx", "tables/table_2_measures.tex", "methods.docx", "figures/captions.txt"):
        assert (folder / "paper" / name).is_file()
    (status,) = (text for line, text in said.items() if line.startswith("outflow-cohort status "))
    assert "3 of 3 done, 1 of them set aside" in status


def test_the_table_of_cases_is_read_as_told(told: tuple[Path, dict[str, str]], monkeypatch, capsys):
    monkeypatch.chdir(told[0])
    for block in blocks("python"):
        exec(compile(block, "story.md", "exec"), {})
    printed = capsys.readouterr().out
    assert "S01" in printed
    assert "native" in printed
