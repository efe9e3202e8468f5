"""The line that a render leaves in the log: every figure a person or another program may want of it.

A value that does not exist (the loudness of silence) is null.
"""

from __future__ import annotations

import math
import platform
from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

from render.engine.ledger import Line
from render.engine.meet import Moved
from render.errors import TakeError
from render.version import __version__

if TYPE_CHECKING:
    from render.engine.job import Options, Work
    from render.engine.mix import ReadyRecipe, Rendered

FIGURES = (
    "gain_db",
    "loudness_before_lufs",
    "loudness_lufs",
    "loudness_range_lu",
    "max_momentary_lufs",
    "max_short_term_lufs",
    "true_peak_dbtp",
    "limiter_max_reduction_db",
    "limiter_active_s",
    "correlation",
    "side_to_mid_db",
    "mono_level_change_db",
    "mono_loudness_change_lu",
)
BY_WHICH_IT_IS_KNOWN = (
    "alignment",
    "level_set_by",
    "session_gain_db",
    "session_takes",
    "identity",
    "mix_identity",
    "session_identity",
    "output_bytes",
    "output_modified_ns",
)
GAVE_WAY_LU = 0.02
MONO_LOSS_LU = 6.0
RAISED_DB = 30.0


def done_line(
    work: Work,
    mix: Rendered,
    *,
    ready: ReadyRecipe,
    options: Options,
    identity: str,
    mix_identity: str,
    session_identity: str,
    seconds: float,
) -> Line:
    """Line of a render that went well."""
    rate = ready.compiled.sample_rate_hz
    status = work.job.output.stat()
    moved = None if work.moved is None else replace(work.moved, silent_source=mix.silent_source)
    line = _begin(work, "done", None)
    line |= {"sample_rate_hz": rate, "frames": mix.frames, "starts_at_s": round(mix.take_frame / rate, 6)}
    line |= {name: _number(getattr(mix.plan, name)) for name in FIGURES}
    line |= {
        "room_tail_s": round(ready.compiled.room_tail_frames / rate, 3),
        "seconds": round(seconds, 3),
        "warnings": _warnings(work, moved, mix, ready),
        "versions": versions(),
        "settings": settings(work, options),
        "alignment": None if moved is None else moved.as_dict(),
        "level_set_by": work.level_set_by,
        "session_gain_db": _number(work.gain_db),
        "session_takes": work.session_takes,
        "identity": identity,
        "mix_identity": mix_identity,
        # Only who has looked at the whole session knows its gain.
        "session_identity": None if work.gain_from_log else session_identity,
        "output_bytes": status.st_size,
        "output_modified_ns": status.st_mtime_ns,
    }
    return line


def kept_line(work: Work, line: Line) -> Line:
    """Line of a mix that is there already: as it was, but for what its session says of it by now."""
    kept = {**line, "status": "kept", "seconds": 0.0}
    if work.moved is not None and line.get("alignment"):
        before = Moved(**line["alignment"])
        now = replace(work.moved, silent_source=before.silent_source)
        rest = [text for text in line["warnings"] if text not in before.remarks()]
        kept |= {"alignment": now.as_dict(), "warnings": [*rest, *now.remarks()]}
    return kept


def failed_line(work: Work, error: BaseException, *, options: Options) -> Line:
    """Line of a render that failed: the same keys, null where there is nothing to tell."""
    reason = str(error) or type(error).__name__
    if isinstance(error, TakeError):  # "14.wav is mono", as it is read beside the take's name
        reason = f"{error.path} {error.reason}" + (f"; {error.fix}" if error.fix else "")
    elif isinstance(error, MemoryError):
        reason = "not enough memory; render fewer takes at once with --jobs 1"
    elif isinstance(error, OSError):
        reason = f"{error.filename or work.job.output}: {error.strerror or error}"
    line = _begin(work, "failed", reason)
    line |= {"sample_rate_hz": None, "frames": None, "starts_at_s": None}
    line |= dict.fromkeys(FIGURES)
    line |= {
        "room_tail_s": None,
        "seconds": None,
        "warnings": [],
        "versions": versions(),
        "settings": settings(work, options),
    }
    line |= dict.fromkeys(BY_WHICH_IT_IS_KNOWN)
    return line


def settings(work: Work, options: Options) -> dict[str, object]:
    """Everything that the recipe and the call resulted in."""
    passage = options.passage
    return {
        "recipe": work.job.recipe.model_dump(mode="json"),
        "from_s": passage.from_s,
        "to_s": passage.to_s,
        "double_precision": options.double_precision,
        "tags": work.job.tags.texts(),
    }


@cache
def versions() -> dict[str, str]:
    """What the result was made with."""
    import numpy as np
    import scipy
    import soundfile
    import soxr

    return {
        "drytake": __version__,
        "python": platform.python_version(),
        "numpy": np.__version__,
        "scipy": scipy.__version__,
        "libsndfile": soundfile.__libsndfile_version__,
        "soxr": soxr.__version__,
        "machine": platform.machine(),
    }


def _begin(work: Work, status: str, reason: str | None) -> Line:
    return {
        "take": work.job.take.name,
        "recipe": work.job.recipe.name,
        "output": work.job.name,
        "status": status,
        "reason": reason,
        "input_sha256": work.input_sha256 or None,
        "recipe_sha256": work.recipe_sha256 or None,
        "input_files": [str(path.absolute()) for path in work.job.take.files],
    }


def _number(value: float | None) -> float | None:
    """Six decimals are past anything audible and keep the line readable; what is not finite does not exist."""
    return None if value is None or not math.isfinite(value) else round(float(value), 6)


def _warnings(work: Work, moved: Moved | None, mix: Rendered, ready: ReadyRecipe) -> list[str]:
    """What a player should know about this mix, in plain words."""
    plan, finish = mix.plan, ready.recipe.finish
    warnings = list(mix.warnings) + ([] if moved is None else moved.remarks())
    if plan.loudness_lufs is None:
        warnings.append("too short or too quiet to have a loudness: left at its own level")
    elif plan.gave_way_lu > GAVE_WAY_LU:
        warnings.append(
            f"{plan.gave_way_lu:.1f} LU below the wanted loudness: more would need over "
            f"{finish.limit_at_most_db:g} dB of limiting (limit_at_most_db)"
        )
    if plan.gain_db > RAISED_DB:
        warnings.append(
            f"raised by {plan.gain_db:.0f} dB: the capture is very soft, its noise is raised with it; "
            "turn down before you listen"
        )
    if work.gain_from_log:
        warnings.append(
            f"levelled like its session of {work.session_takes} takes, with the gain that the log has of it: "
            "render the whole folder to find that anew"
        )
    elif work.session_takes == 1:
        warnings.append('levelled by itself: level_by = "session" had only this take to go by')
    if plan.mono_loudness_change_lu is not None and plan.mono_loudness_change_lu < -MONO_LOSS_LU:
        warnings.append(
            f"loses {-plan.mono_loudness_change_lu:.1f} LU in mono: little mid, or sides that cancel"
        )
    if (
        work.info is not None
        and work.info.sample_rate_hz != work.sample_rate_hz
        and finish.sample_rate_hz == "keep"
    ):
        warnings.append(
            f"the capture has {work.info.sample_rate_hz} Hz, which {finish.format} cannot hold: "
            f"written at {work.sample_rate_hz} Hz"
        )
    return warnings
