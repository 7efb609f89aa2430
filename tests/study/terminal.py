"""Runs a program on a terminal of its own, where programs colour their lines if ever."""

from __future__ import annotations

import os
import pty
import subprocess
from pathlib import Path


def on_terminal(command: list[str], variables: dict[str, str]) -> bytes:
    """What `command` writes on a terminal of its own."""
    leader, follower = pty.openpty()
    environment = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "FORCE_COLOR")}
    environment |= {"TERM": "xterm-256color", **variables}
    project = Path(__file__).parents[2]
    process = subprocess.Popen(command, stdout=follower, stderr=follower, env=environment, cwd=project)
    os.close(follower)
    written = b""
    while True:
        try:
            part = os.read(leader, 65536)
        except OSError:  # how Linux tells that the other side is closed
            break
        if not part:
            break
        written += part
    os.close(leader)
    process.wait(timeout=60)
    return written
