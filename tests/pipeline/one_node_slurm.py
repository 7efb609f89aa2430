"""Slurm on this one machine, for as long as a test lasts: controller, node daemon and munge in one temporary folder.

Nothing of the machine's own Slurm or munge is touched: own key, own socket, own ports, own state.
"""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

PROGRAMS = ("munged", "mungekey", "slurmctld", "slurmd", "sinfo", "sbatch", "squeue", "srun")
START_SECONDS = 60
CONFIGURATION = """\
ClusterName=onenode
SlurmctldHost={host}(127.0.0.1)
SlurmctldPort={control_port}
SlurmdPort={node_port}
SlurmUser=root
SlurmdUser=root
AuthType=auth/munge
AuthInfo=socket={folder}/munge.sock
CredType=cred/munge
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
SelectType=select/cons_tres
ReturnToService=2
MinJobAge=600
StateSaveLocation={folder}/state
SlurmdSpoolDir={folder}/spool
SlurmctldPidFile={folder}/slurmctld.pid
SlurmdPidFile={folder}/slurmd.pid
SlurmctldLogFile={folder}/slurmctld.log
SlurmdLogFile={folder}/slurmd.log
NodeName={host} NodeAddr=127.0.0.1 CPUs={cpus} RealMemory={memory} State=UNKNOWN
PartitionName=main Nodes={host} Default=YES MaxTime=INFINITE State=UP
"""


class SlurmUnavailable(Exception):
    """Slurm cannot be started here; the text says why."""


def missing() -> str | None:
    """Why Slurm cannot be tried here, or None."""
    absent = [name for name in PROGRAMS if not shutil.which(name, path=_search_path())]
    if absent:
        return f"not installed: {', '.join(absent)} (Debian: slurm-wlm, munge)"
    return None if os.geteuid() == 0 else "the daemons of Slurm need root here"


def _search_path() -> str:
    return os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin"])


def _free_ports(count: int) -> list[int]:
    sockets = [socket.socket() for _ in range(count)]
    for one in sockets:
        one.bind(("127.0.0.1", 0))
    ports = [one.getsockname()[1] for one in sockets]
    for one in sockets:
        one.close()
    return ports


@contextmanager
def one_node_slurm(folder: Path) -> Iterator[dict[str, str]]:
    """Start Slurm with all its files in `folder`; gives the environment to call its commands with.

    Raises SlurmUnavailable where it does not come up within START_SECONDS.
    """
    for name in ("state", "spool"):
        (folder / name).mkdir(parents=True)
    host = socket.gethostname()
    control_port, node_port = _free_ports(2)
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") // 2**20
    text = CONFIGURATION.format(
        host=host,
        folder=folder,
        control_port=control_port,
        node_port=node_port,
        cpus=os.cpu_count(),
        memory=int(memory * 0.9),
    )
    configuration = folder / "slurm.conf"
    configuration.write_text(text, encoding="ascii")
    # The engine's job steps drop SLURM_CONF, so that their srun must bring it along.
    srun = folder / "bin" / "srun"
    srun.parent.mkdir()
    srun.write_text(f'#!/bin/sh\nSLURM_CONF={configuration} exec {shutil.which("srun")} "$@"\n', encoding="ascii")
    srun.chmod(0o755)
    path = os.pathsep.join([str(srun.parent), _search_path()])
    environment = os.environ | {"SLURM_CONF": str(configuration), "PATH": path}
    daemons: list[subprocess.Popen[bytes]] = []
    try:
        key = folder / "munge.key"
        _run(["mungekey", "--create", f"--keyfile={key}"], environment)
        commands = (
            ["munged", "--foreground", "--force", f"--key-file={key}", f"--socket={folder}/munge.sock",
             f"--pid-file={folder}/munged.pid", f"--log-file={folder}/munged.log", f"--seed-file={folder}/munge.seed"],
            ["slurmctld", "-D", "-f", str(configuration)],
            ["slurmd", "-D", "-f", str(configuration), "-N", host],
        )  # fmt: skip
        for command in commands:
            daemons.append(
                subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            )
            time.sleep(1)
        _wait_until_idle(environment, daemons)
        yield environment
    finally:
        for daemon in reversed(daemons):
            daemon.send_signal(signal.SIGTERM)
            with suppress(subprocess.TimeoutExpired):
                daemon.wait(10)
            if daemon.poll() is None:
                daemon.kill()
                daemon.wait()


def _run(command: list[str], environment: dict[str, str]) -> str:
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SlurmUnavailable(f"{command[0]}: exit status {done.returncode}: {done.stderr.strip()[:200]}")
    return done.stdout


def _wait_until_idle(environment: dict[str, str], daemons: list[subprocess.Popen[bytes]]) -> None:
    deadline = time.monotonic() + START_SECONDS
    while time.monotonic() < deadline:
        ended = [daemon.args[0] for daemon in daemons if daemon.poll() is not None]  # type: ignore[index]
        if ended:
            raise SlurmUnavailable(f"{', '.join(map(str, ended))} ended at once")
        done = subprocess.run(["sinfo", "-h", "-o", "%T"], env=environment, capture_output=True, text=True, check=False)
        if done.stdout.strip() == "idle":
            return
        time.sleep(0.5)
    raise SlurmUnavailable(f"the node was not idle within {START_SECONDS} s")
