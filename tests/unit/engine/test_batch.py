"""What a batch does when one of its workers meets a fault that is not its take's."""

from __future__ import annotations

from pathlib import Path

import pytest

from render.engine.batch import _Batch
from render.engine.job import Options
from render.engine.ledger import Ledger
from render.engine.workers import Cancelled
from render.errors import OutputError


@pytest.mark.parametrize("_again", range(10))  # who is heard first is a matter of chance
def test_the_fault_that_stops_a_batch_is_the_one_that_is_told(tmp_path: Path, _again: int) -> None:
    """Workers that were stopped by it say only that they were; that must not hide the reason."""
    batch = _Batch([], ledger=Ledger(tmp_path), options=Options(jobs=3), watch=lambda _event: None)

    def act(item: str) -> None:
        if item == "fault":
            raise OutputError("the disc is full")
        assert batch.cancel.wait(10.0)
        raise Cancelled

    with pytest.raises(OutputError, match="the disc is full"):
        batch._parallel(act, ["waits", "waits too", "fault"])
