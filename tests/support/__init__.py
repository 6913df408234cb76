"""What tests share: recordings by others, and the rule for things that are not there."""

from __future__ import annotations

import os
from pathlib import Path
from typing import NoReturn

import pytest

ROOT = Path(__file__).resolve().parents[2]


def absent(reason: str) -> NoReturn:
    """Skip with the reason, or fail where `.ci/run` demands that everything is there (RESTPOINT_CI=1)."""
    if os.environ.get("RESTPOINT_CI"):
        pytest.fail(f"needed in CI: {reason}")
    pytest.skip(reason)


def shared_data(*parts: str) -> Path:
    """Path of a recording made by others, beside the project in ../shared/data; absent() when missing."""
    path = ROOT.parent.joinpath("shared", "data", *parts)
    if not path.exists():
        absent(f"recording {'/'.join(parts)} is not beside the project in ../shared/data")
    return path
