"""One case with all results in object storage: an S3-speaking server on this machine. Invented data.

Needs `pip install 'outflow-cohort[storage,storage-test]'`. The server (moto, general reference) keeps its buckets in
memory and listens on the loopback address only.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import yaml
from workflow_runs import PROJECT, snakemake, table_bytes

pytestmark = pytest.mark.scale

BUCKET, PREFIX = "invented-bucket", "some/study"
KEYS = {"ACCESS_KEY": "invented", "SECRET_KEY": "invented"}
"""What the server asks for; it takes anything."""


@pytest.fixture(scope="module")
def server() -> Iterator[str]:
    """Address of a running server."""
    pytest.importorskip("snakemake_storage_plugin_s3", reason="pip install 'outflow-cohort[storage]'")
    pytest.importorskip("moto.server", reason="pip install 'outflow-cohort[storage-test]'")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "moto.server", "-H", "127.0.0.1", "-p", str(port)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        for _ in range(300):
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.1)
        else:
            pytest.skip("the server does not start here")
        yield f"http://127.0.0.1:{port}"
    finally:
        process.terminate()
        process.wait()


def run(study: Path, server: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [
        sys.executable, "-m", "snakemake", "--cores", "1", "--default-storage-provider", "s3",
        "--default-storage-prefix", f"s3://{BUCKET}/{PREFIX}", "--storage-s3-endpoint-url", server,
        "--local-storage-prefix", str(study.parent / "copies"), "--config", f"study={study}", *arguments,
    ]  # fmt: skip
    keys = {f"SNAKEMAKE_STORAGE_S3_{name}": value for name, value in KEYS.items()}
    return subprocess.run(command, cwd=PROJECT, env=os.environ | keys, capture_output=True, text=True, check=False)


def stored(server: str) -> dict[str, Any]:
    """Objects of the bucket by their key below the results folder."""
    import boto3

    store = boto3.resource(
        "s3", endpoint_url=server, region_name="us-east-1",
        aws_access_key_id=KEYS["ACCESS_KEY"], aws_secret_access_key=KEYS["SECRET_KEY"],
    )  # fmt: skip
    return {o.key.partition("/results/")[2]: o for o in store.Bucket(BUCKET).objects.all()}


def one_case(scanned: Path, folder: Path) -> Path:
    """A study of the first case and one reading, so that only the way of its files takes time."""
    shutil.copytree(scanned, folder)
    for name in ("cases", "series", "plans", "landmarks"):
        table = pd.read_csv(folder / f"{name}.csv", dtype=str)
        table = table[table["case_id"] == "S01"]
        if name == "landmarks":
            table = table[(table["reader_id"] == "ash") & (table["read_no"] == "1")]
        table.to_csv(folder / f"{name}.csv", index=False)
    study = yaml.safe_load((folder / "study.yaml").read_text(encoding="utf-8"))
    study |= {"uncertainty": {"draws": 0}}
    (folder / "study.yaml").write_text(yaml.safe_dump(study), encoding="utf-8")
    return folder / "study.yaml"


def test_all_results_go_through_object_storage(server: str, scanned_study: Path, tmp_path: Path) -> None:
    here = one_case(scanned_study, tmp_path / "here" / "study")
    snakemake(here, cores=1)
    study = one_case(scanned_study, tmp_path / "study")
    done = run(study, server)
    assert done.returncode == 0, f"{done.stdout[-2000:]}\n{done.stderr[-6000:]}"
    objects = stored(server)
    assert {"run.json", "report/index.html", "report/cases/S01.html", "work/measured/S01/drawing.json"} <= set(objects)
    assert not any(name.startswith("work/volumes/") for name in objects), "resampled volumes are dropped"
    tables = {
        name.removeprefix("tables/"): hashlib.sha256(o.get()["Body"].read()).hexdigest()
        for name, o in objects.items()
        if name.startswith("tables/") and not name.endswith(".snakemake_timestamp")
    }
    assert len(tables) > 50
    assert tables == table_bytes(here.parent)
    # here is only what `plan` froze
    assert not (study.parent / "results" / "tables").exists()
    again = run(study, server, "-n")
    assert "Nothing to be done" in again.stdout + again.stderr
