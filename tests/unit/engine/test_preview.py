"""Previews that keep to the recipe once decoded: what is done about an encoder that errs."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import chain, repeat
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from render.engine import preview
from render.engine.preview import Check, Preview, Shift, measure_decoded
from render.finish.level import FinishPlan, apply_finish_block, plan_finish
from render.finish.loudness import integrated_loudness_lufs, measure_slots
from render.finish.true_peak import true_peak_gain
from tests.helpers.signals import plucks

RATE_HZ = 48_000
CEILING_DBTP = -1.0
# As many figures as there are planned rounds, each by 0.5 dB more than the one before; then it stays.
EVER_MORE_DB = [0.5 * count for count in range(1, preview.PLANNED_ROUNDS + 1)]
STORE = np.asfortranarray(plucks(3.0, sample_rate_hz=RATE_HZ))


@dataclass
class Encoder:
    """An encoder of our own: it changes the level by so many dB each time, the last figure again and again."""

    errors_db: Iterator[float]
    target: Path
    plans: list[FinishPlan] = field(default_factory=list)
    shifts: list[Shift] = field(default_factory=list)

    def plan(self, shift: Shift, *, loudness_lufs: float | None, gain_db: float | None) -> FinishPlan:
        """Of the finish, aimed as asked."""
        self.shifts.append(shift)
        return plan_finish(
            STORE,
            sample_rate_hz=RATE_HZ,
            loudness_lufs=None if loudness_lufs is None else loudness_lufs + shift.loudness_lu,
            gain_db=gain_db,
            max_true_peak_dbtp=CEILING_DBTP - shift.ceiling_db,
        )

    def write(self, plan: FinishPlan, keep: Check) -> None:
        """Encode; the file stays if it is to be kept."""
        self.plans.append(plan)
        sound = apply_finish_block(STORE, plan, 0, len(STORE)) * 10.0 ** (next(self.errors_db) / 20.0)
        soundfile.write(self.target, sound, RATE_HZ, subtype="DOUBLE")
        if not keep(self.target):
            self.target.unlink()


@pytest.fixture
def encode(tmp_path: Path) -> Callable[..., tuple[Encoder, Preview, FinishPlan]]:
    """Render a preview with an encoder that errs by the given figures."""

    def encode(
        *errors_db: float, loudness_lufs: float | None = -16.0, gain_db: float | None = None
    ) -> tuple[Encoder, Preview, FinishPlan]:
        encoder = Encoder(chain(errors_db, repeat(errors_db[-1])), tmp_path / "a.wav")
        wanted = Preview(
            max_true_peak_dbtp=CEILING_DBTP,
            aim_lufs=loudness_lufs,
            plan=lambda shift: encoder.plan(shift, loudness_lufs=loudness_lufs, gain_db=gain_db),
            write=encoder.write,
        )
        return encoder, wanted, wanted.render()

    return encode


def test_what_holds_is_encoded_once(encode: Callable[..., tuple[Encoder, Preview, FinishPlan]]) -> None:
    """And keeps its plan."""
    encoder, wanted, plan = encode(0.0)
    assert len(encoder.plans) == 1
    assert plan.gain_db == encoder.plans[0].gain_db
    assert (wanted.warnings, encoder.target.exists()) == ([], True)


def test_loudness_that_is_lost_is_made_good(
    encode: Callable[..., tuple[Encoder, Preview, FinishPlan]],
) -> None:
    """The second time it aims higher by what was missing."""
    encoder, wanted, plan = encode(-0.2)
    assert encoder.shifts[1].ceiling_db == 0.0
    assert encoder.shifts[1].loudness_lu == pytest.approx(0.2, abs=0.005)
    assert plan.loudness_lufs == pytest.approx(-16.0, abs=0.01)
    assert (plan.gave_way_lu, wanted.warnings) == (0.0, [])


def test_peaks_that_are_added_lower_the_ceiling(
    encode: Callable[..., tuple[Encoder, Preview, FinishPlan]],
) -> None:
    """The decoded peak keeps to the recipe, and loudness gives way where the limiter may not do more."""
    encoder, wanted, plan = encode(0.7, loudness_lufs=-5.0)
    assert encoder.shifts[1].ceiling_db == pytest.approx(0.7 + preview.PEAK_STEP_DB, abs=0.01)
    assert len(encoder.plans) == 2
    assert plan.true_peak_dbtp is not None
    assert plan.true_peak_dbtp <= CEILING_DBTP + preview.PEAK_TOLERANCE_DB
    assert plan.loudness_lufs == pytest.approx(-5.0 - plan.gave_way_lu, abs=1e-9)
    assert plan.gave_way_lu > 0.5
    assert wanted.warnings == []


@pytest.mark.parametrize("given", [{"gain_db": 12.0}, {}])
def test_a_gain_that_is_given_is_not_moved_for_the_loudness(
    encode: Callable[..., tuple[Encoder, Preview, FinishPlan]], given: dict[str, float]
) -> None:
    """A session's gain, or a kept level: only the ceiling moves."""
    encoder, _, plan = encode(-0.5, loudness_lufs=None, **given)
    assert encoder.shifts == [Shift()]
    assert plan.gain_db == given.get("gain_db", 0.0)
    encoder, _, plan = encode(0.5, loudness_lufs=None, **given)
    assert plan.gain_db == given.get("gain_db", 0.0)
    assert plan.true_peak_dbtp is not None
    assert plan.true_peak_dbtp <= CEILING_DBTP + preview.PEAK_TOLERANCE_DB


def test_an_encoder_that_errs_more_each_time_is_answered_by_turning_down(
    encode: Callable[..., tuple[Encoder, Preview, FinishPlan]],
) -> None:
    """After the planned rounds the whole is turned down, limiter and all, and the log says so."""
    encoder, wanted, plan = encode(*EVER_MORE_DB, loudness_lufs=-5.0)
    assert len(encoder.plans) == preview.PLANNED_ROUNDS + 1
    assert len(encoder.shifts) == preview.PLANNED_ROUNDS
    assert encoder.plans[-1].curve is encoder.plans[-2].curve
    assert plan.true_peak_dbtp is not None
    assert plan.true_peak_dbtp <= CEILING_DBTP
    (text,) = wanted.warnings
    assert text == "turned down by 0.5 dB for the peaks that packing adds"
    assert plan.gave_way_lu == pytest.approx(-5.0 - (plan.loudness_lufs or 0.0), abs=1e-9)
    assert encoder.target.exists()


def test_a_level_that_is_kept_gives_way_to_the_peaks_too(
    encode: Callable[..., tuple[Encoder, Preview, FinishPlan]],
) -> None:
    """By how much its gain was lowered is told."""
    encoder, wanted, plan = encode(*EVER_MORE_DB, loudness_lufs=None, gain_db=12.0)
    assert plan.gain_db < encoder.plans[-2].gain_db
    assert plan.gave_way_lu == pytest.approx(12.0 - plan.gain_db)
    assert len(wanted.warnings) == 1


def test_an_encoder_that_cannot_be_answered_leaves_a_file_and_says_so(
    encode: Callable[..., tuple[Encoder, Preview, FinishPlan]],
) -> None:
    """Bounded: so many rounds, then the file is as it is."""
    encoder, wanted, plan = encode(*np.arange(0.5, 10.0, 0.5), loudness_lufs=-5.0)
    assert len(encoder.plans) == preview.PLANNED_ROUNDS + preview.TURNED_DOWN_ROUNDS
    (text,) = wanted.warnings
    assert text.startswith(
        "turned down by 1.5 dB for the peaks that packing adds; they still stand 0.5 dB too"
    )
    assert plan.true_peak_dbtp == pytest.approx(CEILING_DBTP + 0.48, abs=0.01)
    assert encoder.target.exists()


def test_an_encoder_that_never_errs_alike_is_met_within_the_bound(
    encode: Callable[..., tuple[Encoder, Preview, FinishPlan]],
) -> None:
    """After some rounds what is 0.015 LU off is taken, and nothing needs to be told."""
    encoder, wanted, plan = encode(0.05, *[0.035, 0.05] * preview.PLANNED_ROUNDS)
    assert len(encoder.plans) == preview.CLOSE_ROUNDS + 1
    assert plan.loudness_lufs == pytest.approx(-16.0, abs=preview.LATE_TOLERANCE_LU)
    assert wanted.warnings == []


def test_in_the_last_planned_round_peaks_decide(
    encode: Callable[..., tuple[Encoder, Preview, FinishPlan]],
) -> None:
    """A loudness that will not settle does not turn anything down, but it is told."""
    encoder, wanted, plan = encode(*[0.1, -0.1] * (preview.PLANNED_ROUNDS // 2))
    assert len(encoder.plans) == preview.PLANNED_ROUNDS
    assert wanted.warnings == ["0.20 LU below the wanted loudness: packing changes it, and not twice alike"]
    assert plan.loudness_lufs == pytest.approx(-16.2, abs=0.02)


@pytest.mark.parametrize("ending", ["wav", "flac", "ogg", "mp3"])
def test_what_is_measured_is_what_a_reader_hears(tmp_path: Path, ending: str) -> None:
    """The whole file, as decoded at once by the library."""
    path = tmp_path / f"a.{ending}"
    sound: NDArray[np.float64] = STORE[: 2 * RATE_HZ]
    soundfile.write(path, sound, RATE_HZ)
    back = np.asfortranarray(soundfile.read(path, dtype="float32")[0])
    decoded = measure_decoded(path)
    assert decoded.frames == len(back)
    slots = measure_slots(back, sample_rate_hz=RATE_HZ)
    assert decoded.loudness_lufs == pytest.approx(integrated_loudness_lufs(slots), abs=1e-4)
    peak_db = 20.0 * np.log10(true_peak_gain(back, sample_rate_hz=RATE_HZ))
    assert decoded.true_peak_dbtp == pytest.approx(peak_db, abs=1e-4)


@pytest.mark.parametrize("level", [0.0, 1e-14])
def test_silence_has_no_level(tmp_path: Path, level: float) -> None:
    """Nor has what a decoder's arithmetic makes of it."""
    path = tmp_path / "a.wav"
    soundfile.write(path, np.full((RATE_HZ, 2), level), RATE_HZ, subtype="DOUBLE")
    decoded = measure_decoded(path)
    assert (decoded.true_peak_dbtp, decoded.loudness_lufs) == (-np.inf, None)
