"""A computer without memory: the page answers in words, says so once and counts, and goes on afterwards."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from support.knock import knock
from support.served_page import Served

from logger.shortage import no_memory


@pytest.fixture
def served() -> Iterator[Served]:
    one = Served()
    yield one
    one.stop()


@pytest.mark.parametrize(
    "fault", [MemoryError(), SystemError("NULL without an exception"), ExceptionGroup("", [MemoryError()])]
)
def test_an_answer_without_memory_says_so_and_what_helps(
    served: Served, monkeypatch: pytest.MonkeyPatch, fault: Exception
) -> None:
    address = served.await_address()

    def none_left(*_: object) -> None:
        raise fault

    with monkeypatch.context() as patch:
        patch.setattr(served.page, "join", none_left)
        for _ in range(3):
            status, headers, body = knock(address, "GET", "/events")
            assert status == 503
            assert "memory" in body
            assert "Close other programs" in body
            assert headers["retry-after"] == "10"
            assert headers["x-content-type-options"] == "nosniff"
    assert served.page.unanswered == 3
    assert len([line for line in served.log if "no memory left for the page" in line]) == 1
    assert knock(address, "GET", "/")[0] == 200


@pytest.mark.parametrize("fault", [ValueError(), OSError(28, "full"), ExceptionGroup("", [ValueError()])])
def test_other_faults_are_no_want_of_memory(fault: Exception) -> None:
    assert not no_memory(fault)


@pytest.mark.parametrize(
    "fault", [OSError(12, "Cannot allocate memory"), RuntimeError("can't start new thread"), ImportError()]
)
def test_want_of_memory_has_several_names(fault: Exception) -> None:
    assert no_memory(fault)
