"""A key of study.yaml that is written twice is an error with its row, not the last one silently."""

from pathlib import Path

from outflow_cohort.study.config import load_study


def test_a_repeated_key_is_named_with_its_row(tmp_path: Path) -> None:
    file = tmp_path / "study.yaml"
    file.write_text("study_id: a\nuncertainty: {draws: 50}\ntitle: x\nuncertainty: {draws: 200}\n", encoding="utf-8")
    study, (problem,) = load_study(file)
    assert study is None
    assert (problem.file, problem.row) == ("study.yaml", 4)
    assert "`uncertainty` is written twice" in str(problem)


def test_the_same_key_in_two_sections_is_fine(tmp_path: Path) -> None:
    file = tmp_path / "study.yaml"
    file.write_text(
        "study_id: a\nexclude: [{case_id: C1}, {case_id: C2}]\nuncertainty: {seed: 1}\nstatistics: {seed: 2}\n",
        encoding="utf-8",
    )
    study, problems = load_study(file)
    assert problems == []
    assert study is not None
    assert [e.case_id for e in study.exclude] == ["C1", "C2"]
