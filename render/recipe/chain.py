"""The stages that a chain may hold, one model each."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated, Literal, Self, get_args

from pydantic import BeforeValidator, Field, model_validator

from render.recipe.cost import LONGEST_STAGE_S, butterworth_s, pole_q_range, resonance_s
from render.recipe.values import ListAsTuple, Model, WholeChoice, plain, refuse_together
from render.units import gain_from_db

Frequency = Annotated[float, Field(ge=10.0, le=40_000.0)]
StageGain = Annotated[float, Field(ge=-60.0, le=24.0)]
EqualiserGain = Annotated[float, Field(ge=-24.0, le=24.0)]
Slope = Annotated[Literal[6, 12, 18, 24], WholeChoice]
ShelfQ = Annotated[float, Field(ge=0.3, le=2.0)]

_SLOPE = "how steeply it falls beyond the cut-off; 12 is the usual choice, 24 separates harder"
_SHELF_Q = "how the shelf bends: 0.707 is the steepest without a bump, lower is more gradual"


class Gain(Model):
    """Level: louder or softer, nothing else."""

    stage: Literal["gain"]
    gain_db: StageGain = Field(description="louder (above 0) or softer (below)", examples=[-3.0])

    @property
    def longest_s(self) -> float:
        """Time it rings."""
        return 0.0


class HighPass(Model):
    """High-pass: takes away what lies below; rumble, boom, handling noise."""

    stage: Literal["high-pass"]
    cutoff_hz: Frequency = Field(
        description="where the sound is 3 dB down; below it falls off", examples=[80.0]
    )
    slope_db_per_octave: Slope = Field(default=12, description=_SLOPE)

    @property
    def longest_s(self) -> float:
        """Time it rings."""
        return butterworth_s(cutoff_hz=self.cutoff_hz, slope_db_per_octave=self.slope_db_per_octave)


class LowPass(Model):
    """Low-pass: takes away what lies above; hiss, the edge of a pickup."""

    stage: Literal["low-pass"]
    cutoff_hz: Frequency = Field(
        description="where the sound is 3 dB down; above it falls off", examples=[12_000.0]
    )
    slope_db_per_octave: Slope = Field(default=12, description=_SLOPE)

    @property
    def longest_s(self) -> float:
        """Time it rings."""
        return butterworth_s(cutoff_hz=self.cutoff_hz, slope_db_per_octave=self.slope_db_per_octave)


class Peaking(Model):
    """Peaking: lifts or lowers a band around its centre."""

    stage: Literal["peaking"]
    centre_hz: Frequency = Field(description="middle of the band", examples=[2400.0])
    gain_db: EqualiserGain = Field(description="lift (above 0) or cut (below) at the centre", examples=[-3.0])
    q: Annotated[float, Field(ge=0.1, le=40.0)] = Field(
        default=1.0,
        description="how narrow the band is: 0.7 is two octaves wide, 1.4 one octave, 4.3 a third of one",
    )

    @property
    def longest_s(self) -> float:
        """Time it rings: a lift as one of higher q, a cut as one of lower q, by half of its decibels."""
        return resonance_s(frequency_hz=self.centre_hz, pole_q=self.q * gain_from_db(self.gain_db / 2.0))

    @model_validator(mode="after")
    def _refuse_endless(self) -> Self:
        if self.longest_s > LONGEST_STAGE_S:
            refuse_ringing(self, pole_q_per_q=gain_from_db(self.gain_db / 2.0), others=("gain_db",))
        return self


class LowShelf(Model):
    """Low shelf: lifts or lowers everything below its corner."""

    stage: Literal["low-shelf"]
    corner_hz: Frequency = Field(description="where half of the gain in dB is reached", examples=[200.0])
    gain_db: EqualiserGain = Field(
        description="lift (above 0) or cut (below) far under the corner", examples=[-3.0]
    )
    q: ShelfQ = Field(default=0.707, description=_SHELF_Q)

    @property
    def longest_s(self) -> float:
        """Time it rings: its poles lie off the corner, lower by a quarter of its decibels at most."""
        return resonance_s(frequency_hz=self.corner_hz / gain_from_db(abs(self.gain_db) / 4.0), pole_q=self.q)


class HighShelf(Model):
    """High shelf: lifts or lowers everything above its corner."""

    stage: Literal["high-shelf"]
    corner_hz: Frequency = Field(description="where half of the gain in dB is reached", examples=[6000.0])
    gain_db: EqualiserGain = Field(
        description="lift (above 0) or cut (below) far over the corner", examples=[2.0]
    )
    q: ShelfQ = Field(default=0.707, description=_SHELF_Q)

    @property
    def longest_s(self) -> float:
        """Time it rings: its poles lie off the corner, lower by a quarter of its decibels at most."""
        return resonance_s(frequency_hz=self.corner_hz / gain_from_db(abs(self.gain_db) / 4.0), pole_q=self.q)


class Notch(Model):
    """Notch: takes one frequency out entirely; a resonance that howls, hum."""

    stage: Literal["notch"]
    centre_hz: Frequency = Field(description="the frequency that goes", examples=[100.0])
    q: Annotated[float, Field(ge=0.5, le=60.0)] = Field(
        description="how narrow: the band 3 dB down is centre_hz / q wide; 10 for a howl, 30 for hum",
        examples=[10.0],
    )

    @property
    def longest_s(self) -> float:
        """Time it rings."""
        return resonance_s(frequency_hz=self.centre_hz, pole_q=self.q)

    @model_validator(mode="after")
    def _refuse_endless(self) -> Self:
        if self.longest_s > LONGEST_STAGE_S:
            refuse_ringing(self, pole_q_per_q=1.0, others=())
        return self


class AllPass(Model):
    """All-pass: turns the phase around its centre, the level stays; two sources may then meet better."""

    stage: Literal["all-pass"]
    centre_hz: Frequency = Field(description="where the phase has turned by half a circle", examples=[200.0])
    q: Annotated[float, Field(ge=0.1, le=10.0)] = Field(
        default=0.707, description="how quickly the phase turns around the centre"
    )

    @property
    def longest_s(self) -> float:
        """Time it rings."""
        return resonance_s(frequency_hz=self.centre_hz, pole_q=self.q)


class Delay(Model):
    """Delay: the sound comes later, fractions of a sample kept."""

    stage: Literal["delay"]
    delay_ms: Annotated[float, Field(ge=0.0, le=2000.0)] = Field(
        description="later by this much; 1 ms is about 34 cm of air", examples=[0.3]
    )

    @property
    def longest_s(self) -> float:
        """Time until it has sounded."""
        return self.delay_ms / 1000.0


def _path_of_text(value: object) -> object:
    if value in ("", Path()) or "\0" in str(value):
        raise ValueError("must name a sound file")
    return Path(value).absolute() if isinstance(value, str | Path) else value


class ImpulseResponse(Model):
    """Impulse response: the sound of a body or a room, from a file."""

    stage: Literal["impulse-response"]
    file: Annotated[Path, BeforeValidator(_path_of_text)] = Field(
        description="sound file, found from the folder of the recipe that names it", examples=["saddle.wav"]
    )
    wet_fraction: Annotated[float, Field(ge=0.0, le=1.0)] = Field(
        default=1.0, description="how much of it: 0 is the plain sound, 1 only the impulse response"
    )

    @property
    def longest_s(self) -> float:
        """Nothing is known of the file before it is read."""
        return 0.0


AnyStage = (
    Gain | HighPass | LowPass | Peaking | LowShelf | HighShelf | Notch | AllPass | Delay | ImpulseResponse
)
Stage = Annotated[AnyStage, Field(discriminator="stage")]
Chain = Annotated[tuple[Stage, ...], Field(max_length=64), ListAsTuple]
STAGES: dict[str, type[Model]] = {
    get_args(model.model_fields["stage"].annotation)[0]: model for model in get_args(AnyStage)
}


def refuse_ringing(stage: Peaking | Notch, *, pole_q_per_q: float, others: tuple[str, ...]) -> None:
    """Refuse a resonance whose response would be too long to be of use: a very narrow or a very broad one."""
    lowest, highest = (limit / pole_q_per_q for limit in pole_q_range(frequency_hz=stage.centre_hz))
    narrow = stage.q > highest
    refuse_together(
        "q",
        "centre_hz",
        *others,
        reason=f"so {'narrow' if narrow else 'broad'} at {plain(stage.centre_hz)} Hz it rings for "
        f"{stage.longest_s:.1f} s; {plain(LONGEST_STAGE_S)} s at most",
        fix=f"lower q to {math.floor(highest * 100.0) / 100.0:g} or less"
        if narrow
        else f"raise q to {math.ceil(lowest * 100.0) / 100.0:g} or more",
    )
