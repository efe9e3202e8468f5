"""What `drytake compare --merge` prints."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from render.cli.screen import say
from render.workflows.compare.merge import merge_votes, merged_text


def run_merge(paths: Sequence[Path], *, as_json: bool) -> int:
    """Merge files of votes and print the outcome; a faulty file is a `UsageError`."""
    merged = merge_votes(paths)
    say(json.dumps(merged.as_dict(), indent=2) if as_json else merged_text(merged))
    return 0
