"""Settings and fixtures for all tests."""

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

# Machines differ in speed, and stall: only what a test says counts, not how long it took.
settings.register_profile("any-speed", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("any-speed")


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """Give a folder on a disk of twelve megabytes."""
    if os.geteuid() != 0 or sys.platform != "linux":
        pytest.skip("only root can mount a small disk")
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=12m", "tmpfs", str(folder)]
    if subprocess.run(mount, capture_output=True, check=False).returncode:
        pytest.skip("mounting is not allowed here")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)
