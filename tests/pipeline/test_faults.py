"""What goes wrong overnight: kills, full disks, vanished, changed and damaged files. Invented data.

After each of them the run, started again, ends with the same bytes as an undisturbed one, and inputs are as before.
OUTFLOW_FAULT_MOMENTS: number of kills (3; the long form takes 30).
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import psutil
import pyarrow.dataset as ds
import pytest
from workflow_runs import PROJECT, snakemake, table_bytes

from outflow_cohort.cli import EXIT_FAILED, EXIT_OK, main
from outflow_cohort.handover.request import read_request

MOMENTS = int(os.environ.get("OUTFLOW_FAULT_MOMENTS", "3"))
SEED = 20
IDENTITY = "DOE^JANE"
VICTIMS = ("engine", "job", "all")


def input_bytes(folder: Path) -> dict[str, str]:
    """Hash and time of change of every file that the study's owner wrote."""
    files = [p for p in sorted(folder.rglob("*")) if p.is_file() and "results" not in p.relative_to(folder).parts]
    return {
        str(p.relative_to(folder)): f"{hashlib.sha256(p.read_bytes()).hexdigest()} {p.stat().st_mtime_ns}"
        for p in files
    }


def leftovers(folder: Path) -> list[Path]:
    return list((folder / "results").rglob(".*.part"))


@pytest.fixture
def own_study(scanned_study: Path, tmp_path: Path) -> Path:
    """A copy of the scanned study, never run."""
    folder = tmp_path / "study"
    shutil.copytree(scanned_study, folder, copy_function=shutil.copy2)
    return folder


def jobs_of(engine: psutil.Process) -> list[psutil.Process]:
    """Our commands that the workflow engine has started."""
    found = []
    with suppress(psutil.NoSuchProcess):
        for child in engine.children(recursive=True):
            with suppress(psutil.NoSuchProcess):
                if any("outflow-cohort" in part for part in child.cmdline()) and "python" in child.name():
                    found.append(child)
    return found


def kill_at(folder: Path, seconds: float, victim: str) -> bool:
    """Start the run, kill -9 `victim` after `seconds`; False where the run had ended by then."""
    command = [sys.executable, "-m", "snakemake", "--cores", "2", "--config", f"study={folder / 'study.yaml'}"]
    # Not a pipe: nobody reads while this test waits for a job, and a full pipe would stop the engine for ever.
    screen = folder.with_suffix(".screen")
    with screen.open("w", encoding="utf-8") as handle:
        run = subprocess.Popen(command, cwd=PROJECT, stdout=handle, stderr=subprocess.STDOUT, start_new_session=True)
    engine = psutil.Process(run.pid)
    try:
        run.wait(timeout=seconds)
        return False
    except subprocess.TimeoutExpired:
        pass
    jobs = jobs_of(engine)
    while victim == "job" and not jobs and run.poll() is None:
        time.sleep(0.05)
        jobs = jobs_of(engine)
    if victim in ("engine", "all"):
        run.kill()
    if victim in ("job", "all"):
        for job in jobs if victim == "all" else jobs[:1]:
            with suppress(psutil.NoSuchProcess):
                job.kill()
    run.wait()
    output = screen.read_text(encoding="utf-8")
    if victim == "job" and jobs:
        # Jobs that measure a case are tried again at once, the others end the run.
        assert run.returncode in (0, 1)
        assert ("The run did not finish." in output) == bool(run.returncode)
    return True


@pytest.mark.faults
def test_runs_killed_at_any_moment_go_on_to_the_same_bytes(scanned_study: Path, finished_study: Path, tmp_path: Path):
    chance = random.Random(SEED)
    killed = 0
    for attempt in range(MOMENTS + 1):
        folder = tmp_path / f"study{attempt}"
        shutil.copytree(scanned_study, folder, copy_function=shutil.copy2)
        before = input_bytes(folder)
        while killed < MOMENTS and kill_at(folder, chance.uniform(3, 30), chance.choice(VICTIMS)):
            killed += 1
        snakemake(folder / "study.yaml")
        assert table_bytes(folder) == table_bytes(finished_study)
        assert leftovers(folder) == []
        assert input_bytes(folder) == before
        counts = [json.loads((f / "results/run.json").read_text())["counts"] for f in (folder, finished_study)]
        assert counts[0] == counts[1]
        if killed >= MOMENTS:
            return
    pytest.fail("runs ended before they could be killed")


HOLD = """
import sys, time
from pathlib import Path
from outflow_cohort.study.claim import job_claim
work = Path(sys.argv[1])
with job_claim(work):
    print("held", flush=True)
    time.sleep(1.0)
    (work / "ended").touch()
"""


def test_a_new_run_waits_for_the_jobs_of_a_killed_one(tmp_path: Path, caplog: pytest.LogCaptureFixture):
    from outflow_cohort.study.claim import claim

    work = tmp_path / "results/work"
    claim(tmp_path / "results").close()
    job = subprocess.Popen([sys.executable, "-c", HOLD, str(work)], stdout=subprocess.PIPE, text=True)
    assert job.stdout is not None
    job.stdout.readline()
    with claim(tmp_path / "results"):
        assert (work / "ended").exists()
    assert job.wait() == 0
    assert "waiting for them to end" in caplog.text


def test_a_claim_clears_what_killed_jobs_left_and_no_more(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    import base64

    from outflow_cohort.study.claim import claim

    monkeypatch.chdir(tmp_path)
    marks = tmp_path / ".snakemake/incomplete"
    marks.mkdir(parents=True)
    names = {
        where: base64.urlsafe_b64encode(f"{where}/work/x.json".encode()).decode() for where in ("results", "other")
    }
    for name in names.values():
        (marks / name).touch()
    volumes = tmp_path / "results/work/volumes"
    (volumes / ".S01.17.part").mkdir(parents=True)
    (volumes / ".S01.17.part/phase_00.nrrd").touch()
    (volumes / ".x.json.17.part").touch()
    (volumes / "S02.part").touch()
    claim(Path("results")).close()
    assert [p.name for p in volumes.iterdir()] == ["S02.part"]
    assert [p.name for p in marks.iterdir()] == [names["other"]]


def test_a_clock_set_back_leaves_no_file_ahead_and_their_order_as_it_was(tmp_path: Path):
    from outflow_cohort.study.claim import claim

    work = tmp_path / "results/work"
    hour = 3600 * 10**9
    start = time.time_ns()
    names = ["past", "request", "output", "later_request"]
    work.mkdir(parents=True)
    for name, ahead in zip(names, (-hour, hour, 2 * hour, 2 * hour + 5), strict=True):
        (work / name).touch()
        os.utime(work / name, ns=(start + ahead, start + ahead))
    claim(tmp_path / "results").close()
    times = [(work / name).stat().st_mtime_ns for name in names]
    assert times == sorted(times)
    assert len(set(times)) == len(times)
    assert times[0] == start - hour
    assert start <= times[1]
    assert times[-1] < time.time_ns() + 10**9


def test_a_claim_given_back_unused_leaves_no_trace_and_keeps_what_was_there(tmp_path: Path):
    from outflow_cohort.study.claim import claim, leave_unused

    results = tmp_path / "results"
    leave_unused(results, claim(results))
    assert not results.exists()
    (results / "work").mkdir(parents=True)
    (results / "work/plan.json").touch()
    leave_unused(results, claim(results))
    assert (results / "work/plan.json").exists()


@pytest.mark.parametrize("damage", [b"", b"PAR1 cut short"])
def test_a_damaged_measured_file_is_named_with_its_remedy(
    own_finished_study: Path, damage: bytes, capsys: pytest.CaptureFixture[str]
):
    results = own_finished_study / "results"
    before = table_bytes(own_finished_study)
    (results / "work/measured/S01/measurements.parquet").write_bytes(damage)
    assert main(["table", "--results", str(results)]) == EXIT_FAILED
    message = capsys.readouterr().err
    assert "measured/S01/measurements.parquet" in message
    assert "Remedy: delete" in message
    assert table_bytes(own_finished_study) == before
    assert leftovers(own_finished_study) == []


@pytest.mark.parametrize("name", ["work/inventory/S01.json", "work/measured/S01/set_aside.json", "work/plan.json"])
def test_a_truncated_intermediate_is_named_with_its_remedy(
    own_finished_study: Path, name: str, capsys: pytest.CaptureFixture[str]
):
    path = own_finished_study / "results" / name
    path.write_bytes(path.read_bytes()[:-20])
    assert main(["table", "--results", str(own_finished_study / "results")]) == EXIT_FAILED
    message = capsys.readouterr().err
    assert name.removeprefix("work/") in message
    assert "Remedy: delete" in message


def test_a_changed_table_is_found_by_the_hashes_of_the_run(
    own_finished_study: Path, capsys: pytest.CaptureFixture[str]
):
    results = own_finished_study / "results"
    assert main(["status", "--verify", str(results)]) == EXIT_OK
    part = next((results / "tables/measurements").glob("*.parquet"))
    content = bytearray(part.read_bytes())
    content[len(content) // 2] ^= 1
    part.write_bytes(content)
    assert main(["status", "--verify", str(results)]) == EXIT_FAILED
    assert f"tables/measurements/{part.name}" in capsys.readouterr().err


@pytest.mark.faults
def test_a_damaged_part_and_a_damaged_case_are_made_anew(own_finished_study: Path, finished_study: Path):
    results = own_finished_study / "results"
    shutil.rmtree(results / "tables/measurements")
    (results / "work/measured/S01/curves.parquet").write_bytes(b"PAR1")
    done = snakemake(own_finished_study / "study.yaml", check=False)
    assert done.returncode == 1
    assert "The run did not finish." in done.stderr
    assert "measured/S01/curves.parquet" in (results / "logs/table.log").read_text()
    shutil.rmtree(results / "work/measured/S01")
    snakemake(own_finished_study / "study.yaml")
    assert table_bytes(own_finished_study) == table_bytes(finished_study)


def run_case(folder: Path, key: str, *, between: object = None) -> int:
    """Inventory, volume and measure of one case; `between` is called after the inventory."""
    work = folder / "results/work"
    request, inventory = work / f"requests/{key}.json", work / f"inventory/{key}.json"
    volumes, measured = work / f"volumes/{key}", work / f"measured/{key}"
    main(["inventory", "--request", str(request), "--output", str(inventory)])
    if callable(between):
        between()
    status = main(["volume", "--request", str(request), "--inventory", str(inventory), "--output", str(volumes)])
    given = ["--request", str(request), "--inventory", str(inventory), "--volumes", str(volumes)]
    judged = work / f"judged/{key}.json"
    if status == EXIT_OK:
        status = main(["judge", *given, "--output", str(judged)])
    if status == EXIT_OK:
        status = main(["measure", *given, "--judged", str(judged), "--output", str(measured)])
    return status


@pytest.mark.faults
@pytest.mark.parametrize(
    ("change", "code"),
    [("vanish", "changed_since_inventory"), ("grow", "changed_since_inventory"), ("folder_gone", "folder_missing")],
)
def test_files_that_change_after_the_inventory_set_the_case_aside(own_study: Path, change: str, code: str):
    main(["plan", "--study", str(own_study / "study.yaml")])
    request = read_request(own_study / "results/work/requests/S01.json")
    series = Path(request.series[0].dicom_dir)

    def happen() -> None:
        file = sorted(p for p in series.rglob("*") if p.is_file())[3]
        if change == "vanish":
            file.unlink()
        elif change == "grow":
            file.write_bytes(file.read_bytes() + b"\0\0")
        else:
            shutil.rmtree(series)

    assert run_case(own_study, "S01", between=happen) == EXIT_OK
    aside = json.loads((own_study / "results/work/measured/S01/set_aside.json").read_text())
    assert aside["case_set_aside"]
    readings = [row for row in aside["rows"] if row["reader_id"] is not None]
    assert len(readings) == len(request.readings)
    assert {row["code"] for row in readings} == {code}


@contextmanager
def small_disk(folder: Path, megabytes: int) -> Iterator[None]:
    """A file system of this size at `folder`; skips where mounting is not allowed."""
    folder.mkdir(parents=True, exist_ok=True)
    command = ["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "tmpfs", str(folder)]
    if os.geteuid() != 0 or subprocess.run(command, capture_output=True, check=False).returncode:
        pytest.skip("mounting a small file system is not allowed here")
    try:
        yield
    finally:
        subprocess.run(["umount", str(folder)], check=True)


@pytest.mark.faults
@pytest.mark.parametrize("where", ["volumes", "measured"])
def test_a_full_disk_fails_the_job_and_never_blames_the_case(
    own_study: Path, where: str, capsys: pytest.CaptureFixture[str]
):
    main(["plan", "--study", str(own_study / "study.yaml")])
    target = own_study / "results/work" / where
    with small_disk(target, 1):
        (target / "filler").write_bytes(b"\0" * (2**20 - 16384))
        assert run_case(own_study, "S01") == EXIT_FAILED
        assert "could not be written" in capsys.readouterr().err
        assert [p.name for p in target.rglob("*") if p.is_file() and p.suffix in (".part", ".nrrd")] == []
        assert not (target / "S01/set_aside.json").exists()
    assert run_case(own_study, "S01") == EXIT_OK
    aside = json.loads((own_study / "results/work/measured/S01/set_aside.json").read_text())
    assert aside["rows"] == []


@pytest.mark.faults
def test_a_read_only_study_is_measured_into_another_folder(own_study: Path, finished_study: Path, tmp_path: Path):
    results = tmp_path / "elsewhere/results"
    text = (own_study / "study.yaml").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("results:")]
    (own_study / "study.yaml").write_text("\n".join([*lines, f"results: {results}", ""]), encoding="utf-8")
    bind = ["mount", "--bind", str(own_study), str(own_study)]
    if os.geteuid() != 0 or subprocess.run(bind, capture_output=True, check=False).returncode:
        pytest.skip("mounting a folder read-only is not allowed here")
    try:
        subprocess.run(["mount", "-o", "remount,ro,bind", str(own_study)], check=True)
        with pytest.raises(OSError, match="Read-only"):
            (own_study / "probe").touch()
        snakemake(own_study / "study.yaml")
    finally:
        subprocess.run(["umount", str(own_study)], check=True)
    assert table_bytes(results.parent) == table_bytes(finished_study)


def test_a_results_folder_that_cannot_be_made_is_said_in_one_line(tmp_path: Path):
    from outflow_cohort.study.claim import claim

    (tmp_path / "results").write_text("a file in the way", encoding="ascii")
    with pytest.raises(SystemExit, match="cannot be written") as caught:
        claim(tmp_path / "results")
    assert "results:" in str(caught.value)


@pytest.mark.faults
def test_a_case_that_crashes_the_program_is_set_aside_alone(
    own_finished_study: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
):
    import outflow_geometry.measures.reading

    def broken(*args: object) -> None:
        raise KeyError(IDENTITY)

    results = own_finished_study / "results"
    rows = ds.dataset(results / "tables/measurements").to_table(filter=ds.field("case_id") == "S01")
    monkeypatch.setattr(outflow_geometry.measures.reading, "measure_reading", broken)
    assert run_case(own_finished_study, "S02") == EXIT_OK
    assert "DOE" not in "".join(capfd.readouterr())
    assert main(["table", "--results", str(results)]) == EXIT_OK
    assert main(["finish", "--results", str(results)]) == EXIT_OK
    counts = json.loads((results / "run.json").read_text())["counts"]
    assert counts["cases"] == {"in": 3, "measured": 1, "set_aside": 2}
    assert "step_crashed" in capfd.readouterr().out
    assert ds.dataset(results / "tables/measurements").to_table().equals(rows)


NO_MEMORY_FOR_S01 = """
import sys
if b"measure" in (words := open("/proc/self/cmdline", "rb").read().split(b"\\0")) and any(b"S01" in w for w in words):
    import outflow_geometry.measures.reading
    def short_of_memory(*given):
        raise MemoryError
    outflow_geometry.measures.reading.measure_reading = short_of_memory
"""


def set_aside_alone(study: Path, finished: Path, hook: str, code: str, *arguments: str) -> None:
    """Run a study never run, whose jobs of S01 meet with `hook`: S01 is set aside as `code`, S02 measured as ever; once
    the trouble is over and S01's folder deleted, the next run ends with all tables of an undisturbed one."""
    folder = study.parent / "hook"
    folder.mkdir()
    (folder / "sitecustomize.py").write_text(hook, encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTHONPATH", os.pathsep.join(filter(None, [str(folder), os.environ.get("PYTHONPATH")])))
        done = snakemake(study / "study.yaml", *arguments, check=False)
    assert done.returncode == 0, done.stderr[-3000:]
    record = json.loads((study / "results/run.json").read_text(encoding="utf-8"))
    assert record["counts"]["cases"] == {"in": 3, "measured": 1, "set_aside": 2}
    assert code in done.stdout + done.stderr
    others = ds.field("case_id") == "S02"
    rows = [ds.dataset(f / "results/tables/measurements").to_table(filter=others) for f in (study, finished)]
    assert rows[0].equals(rows[1])
    shutil.rmtree(study / "results/work/measured/S01")
    snakemake(study / "study.yaml")
    assert table_bytes(study) == table_bytes(finished)


@pytest.mark.faults
def test_a_case_that_never_has_enough_memory_is_set_aside_and_the_others_go_on(own_study: Path, finished_study: Path):
    set_aside_alone(own_study, finished_study, NO_MEMORY_FOR_S01, "out_of_memory")


@pytest.mark.parametrize(
    ("command", "counted", "status", "aside"),
    [
        ("raise MemoryError", 0, 0, True),
        ("os.kill(os.getpid(), signal.SIGKILL)", 1, 0, True),
        ("os.kill(os.getpid(), signal.SIGKILL)", 0, 128 + signal.SIGKILL, False),
        ("raise KeyError", 0, 1, False),
        ("pass", 0, 0, False),
    ],
)
def test_only_want_of_memory_sets_a_case_aside_after_the_last_attempt(
    tmp_path: Path, command: str, counted: int, status: int, aside: bool
):
    # In a process of its own: a fork of the test runner with its threads would not be what a job does.
    script = f"""
import os, signal, sys
from pathlib import Path
from outflow_cohort.steps import limits
counter = Path({str(tmp_path / "vmstat")!r})
counter.write_text("oom_kill 3\\n")
limits.KILL_COUNTER = counter
def work():
    counter.write_text("oom_kill {3 + counted}\\n")
    try:
        {command}
    except MemoryError:
        return 4
    return 0
sys.exit(limits.supervised(work, lambda code, told: print("set aside", code), step="volume", out_of_memory=4, minutes=5))
"""
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert done.returncode == status
    assert ("set aside out_of_memory" in done.stdout) == aside


@pytest.mark.parametrize(
    ("command", "aside"),
    [
        ("time.sleep(3600)", True),
        # Holds the interpreter's lock, so that no thread of this process could end it.
        ("re.match('(a+)+$', 'a' * 60 + 'b')", True),
        ("subprocess.run(['sleep', '3600'])", True),
        ("pass", False),
    ],
    ids=["waits", "computes", "waits for its own child", "ends"],
)
def test_a_step_that_hangs_is_ended_with_all_it_has_started_and_its_case_set_aside(
    tmp_path: Path, command: str, aside: bool
):
    script = f"""
import re, subprocess, sys, time
from outflow_cohort.steps import limits
def work():
    {command}
    return 0
def put(code, message):
    print("set aside", code, message)
sys.exit(limits.supervised(work, put, step="volume", out_of_memory=None, minutes=0.02))
"""
    run = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True, start_new_session=True)
    told, _ = run.communicate(timeout=60)
    assert run.returncode == 0
    assert ("set aside out_of_time the step volume was stopped after 0.02 minutes" in told) == aside
    assert [p for p in psutil.process_iter() if _session(p) == run.pid and p.status() != psutil.STATUS_ZOMBIE] == []


def _session(process: psutil.Process) -> int | None:
    try:
        return os.getsid(process.pid)
    except OSError:
        return None


HANGS_FOR_S01 = """
import sys, time
if b"volume" in (words := open("/proc/self/cmdline", "rb").read().split(b"\\0")) and any(b"S01" in w for w in words):
    import outflow_cohort.dicom.volume
    def never(*given):
        time.sleep(10**6)
    outflow_cohort.dicom.volume.read_stack = never
"""


@pytest.mark.faults
def test_a_volume_that_hangs_is_set_aside_and_the_others_go_on(own_study: Path, finished_study: Path):
    set_aside_alone(own_study, finished_study, HANGS_FOR_S01, "out_of_time", "--set-resources", "volume:runtime=1")


@pytest.mark.faults
def test_a_first_run_on_a_new_machine_gives_the_same_bytes(
    own_finished_study: Path, finished_study: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """Kernels compiled by this very job, and the same ones read from the compiler's cache by the next."""
    shutil.rmtree(own_finished_study / "results/work/measured/S01")
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "cache"))
    for _ in range(2):
        work = own_finished_study / "results/work"
        request, inventory = work / "requests/S01.json", work / "inventory/S01.json"
        volumes, measured = work / "volumes/S01", work / "measured/S01"
        given = ["--request", str(request), "--inventory", str(inventory)]
        assert main(["volume", *given, "--output", str(volumes)]) == EXIT_OK
        command = [sys.executable, "-m", "outflow_cohort", "measure", *given, "--volumes", str(volumes)]
        command += ["--judged", str(work / "judged/S01.json")]
        subprocess.run([*command, "--output", str(measured)], check=True, capture_output=True)
        for name in ("measurements.parquet", "curves.parquet", "views.parquet"):
            assert (measured / name).read_bytes() == (finished_study / "results/work/measured/S01" / name).read_bytes()
    assert any((tmp_path / "cache").rglob("*.nbc"))


SHORT_OF_MEMORY = """
import resource, sys
from outflow_cohort.cli import main
import outflow_cohort.dicom.pixels, outflow_cohort.dicom.resampling, SimpleITK, pydicom, pandas, pyarrow, scipy.ndimage
used = int(open("/proc/self/statm").read().split()[0]) * resource.getpagesize()
resource.setrlimit(resource.RLIMIT_AS, (used + 2**20, used + 2**20))
sys.exit(main(sys.argv[1:]))
"""


@pytest.mark.faults
def test_a_case_short_of_memory_fails_its_job_and_is_not_set_aside(own_study: Path):
    main(["plan", "--study", str(own_study / "study.yaml")])
    work = own_study / "results/work"
    request, inventory = work / "requests/S01.json", work / "inventory/S01.json"
    main(["inventory", "--request", str(request), "--output", str(inventory)])
    command = [
        "volume",
        "--request",
        str(request),
        "--inventory",
        str(inventory),
        "--output",
        str(work / "volumes/S01"),
    ]
    done = subprocess.run(
        [sys.executable, "-c", SHORT_OF_MEMORY, *command], capture_output=True, text=True, check=False
    )
    assert done.returncode != 0
    assert not (work / "volumes/S01").exists()
    assert main(command) == EXIT_OK
    assert json.loads((work / "volumes/S01/volumes.json").read_text())["set_aside"] == []
