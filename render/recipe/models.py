"""What a recipe may say: tables, keys, ranges, defaults, each with a word to the player.

    sources -> stereo -> room -> finish

Everything is read from here: checking, messages, `recipe show`, the JSON Schema.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, PrivateAttr, model_validator

from render.recipe.chain import (
    AllPass,
    Chain,
    Delay,
    Gain,
    HighPass,
    HighShelf,
    ImpulseResponse,
    LowPass,
    LowShelf,
    Notch,
    Peaking,
    Stage,
    StageGain,
)
from render.recipe.cost import LONGEST_RESPONSE_S, estimate_response_s, response_parts_s
from render.recipe.origin import Origin
from render.recipe.values import (
    Line,
    Model,
    Paragraphs,
    SourceName,
    WholeChoice,
    plain,
    refuse_together,
    zero_or,
)

__all__ = [
    "AllPass",
    "Delay",
    "Finish",
    "Gain",
    "HighPass",
    "HighShelf",
    "ImpulseResponse",
    "LowPass",
    "LowShelf",
    "Notch",
    "Peaking",
    "Recipe",
    "Room",
    "Source",
    "Stage",
    "Stereo",
]

LONGEST_DECAY_S = 30.0
MP3_RATES_HZ = (8000, 11_025, 12_000, 16_000, 22_050, 24_000, 32_000, 44_100, 48_000)
OGG_HIGHEST_RATE_HZ = 192_000  # the encoder of libsndfile breaks down above 200 kHz
OPUS_RATE_HZ = 48_000

SampleRate = Literal[
    8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000, 88200, 96000, 176400, 192000, 352800, 384000
]
Ratio = Annotated[float, Field(ge=0.1, le=3.0)]
Seconds = Annotated[float, Field(ge=0.0, le=60.0)]
Fade = Annotated[float, Field(ge=0.0, le=60_000.0)]


class Source(Model):
    """One pickup or microphone: which channel, what is done to it, where it stands."""

    channel: Annotated[int, Field(ge=1, le=64)] = Field(
        description="channel of the take, from 1; of two mono files the first is 1", examples=[1]
    )
    place: Literal["mid", "side"] | Annotated[float, Field(ge=-100.0, le=100.0)] = Field(
        default="mid",
        description='"mid": in the centre; "side": added left, taken off right; or from -100, left, to 100',
    )
    gain_db: StageGain = Field(default=0.0, description="level of this source in the mix")
    polarity: Literal["keep", "flip", "auto"] = Field(
        default="keep",
        description='"flip": upside down, where the sources work against each other; "auto": measured',
    )
    delay_ms: Annotated[float, Field(ge=-1000.0, le=1000.0)] | Literal["auto"] = Field(
        default=0.0,
        description='later by this much, below 0 earlier; "auto": meets the other source, take by take',
    )
    chain: Chain = Field(
        default=(), description="stages this source runs through, in the order of the signal"
    )

    @property
    def is_auto(self) -> bool:
        """Whether delay or polarity is measured for each take."""
        return "auto" in (self.delay_ms, self.polarity)

    @property
    def own_delay_ms(self) -> float:
        """Delay that the recipe itself says: 0 where it is measured."""
        return 0.0 if self.delay_ms == "auto" else float(self.delay_ms)


class Stereo(Model):
    """What is done to left and right together."""

    side_gain_db: StageGain | Literal["off"] = Field(
        default=0.0,
        description='what differs between left and right: above 0 wider, below narrower; "off": mono',
    )
    side_high_pass_hz: Annotated[float, Field(ge=0.0, le=2000.0), zero_or(10.0)] = Field(
        default=0.0, description="below this the sound stays in the centre, 12 dB per octave"
    )
    chain: Chain = Field(
        default=(), description="stages for left and right alike, in the order of the signal"
    )


class Room(Model):
    """The room around the guitar. Leave the table out for none."""

    level_db: Annotated[float, Field(ge=-60.0, le=12.0)] = Field(
        default=-16.0, description="energy of the room against the direct sound, 500 Hz to 2 kHz"
    )
    decay_1khz_s: Annotated[float, Field(ge=0.1, le=20.0)] = Field(
        default=1.4, description="time to fall by 60 dB at 1 kHz; a living room 0.5, a hall 2"
    )
    decay_125hz_ratio: Ratio = Field(
        default=1.1, description="decay at 125 Hz against 1 kHz; above 1 the bass rings longer"
    )
    decay_8khz_ratio: Ratio = Field(
        default=0.5, description="decay at 8 kHz against 1 kHz; the lower, the softer the walls"
    )
    pre_delay_ms: Annotated[float, Field(ge=0.0, le=500.0)] = Field(
        default=18.0, description="time before the room answers; more keeps the attack clear"
    )
    delay_scale: Annotated[float, Field(ge=0.25, le=4.0)] = Field(
        default=1.0, description="size of the place: below 1 smaller, above 1 larger"
    )
    shared_fraction: Annotated[float, Field(ge=0.0, le=1.0)] = Field(
        default=0.0,
        description="how much of one side the room answers on the other: 0 none, 1 as much as on its own",
    )
    high_pass_hz: Annotated[float, Field(ge=0.0, le=2000.0), zero_or(10.0)] = Field(
        default=120.0, description="the room answers only above this; keeps the bass dry"
    )
    low_pass_hz: Annotated[float, Field(ge=500.0, le=40_000.0)] = Field(
        default=9000.0, description="the room answers only below this; lower is darker"
    )
    seed: Annotated[int, Field(ge=0, le=2**32 - 1)] = Field(
        default=1, description="another number is another room of the same kind"
    )

    @property
    def decays_s(self) -> tuple[float, float, float]:
        """Decay at 125 Hz, 1 kHz and 8 kHz."""
        decay_s = self.decay_1khz_s
        return decay_s * self.decay_125hz_ratio, decay_s, decay_s * self.decay_8khz_ratio

    @model_validator(mode="after")
    def _refuse_misfits(self) -> Self:
        if max(self.decays_s) > LONGEST_DECAY_S:
            bass = self.decay_125hz_ratio >= self.decay_8khz_ratio
            refuse_together(
                "decay_1khz_s",
                "decay_125hz_ratio",
                "decay_8khz_ratio",
                reason=f"makes {max(self.decays_s):.1f} s at {'125 Hz' if bass else '8 kHz'}; "
                f"{plain(LONGEST_DECAY_S)} s at most",
                fix=f"lower it, or {'decay_125hz_ratio' if bass else 'decay_8khz_ratio'}",
            )
        if self.high_pass_hz >= self.low_pass_hz:
            refuse_together(
                "high_pass_hz",
                "low_pass_hz",
                reason=f"must lie below low_pass_hz, which is {plain(self.low_pass_hz)} Hz",
                fix="lower it, or raise low_pass_hz",
            )
        return self


class Finish(Model):
    """Level and form of the finished file."""

    loudness_lufs: Annotated[float, Field(ge=-40.0, le=-5.0)] | Literal["keep"] = Field(
        default=-16.0,
        description='loudness of the whole take; -16 and -14 are usual for streaming; "keep" leaves it',
    )
    max_true_peak_dbtp: Annotated[float, Field(ge=-20.0, le=0.0)] = Field(
        default=-1.0, description="no peak goes above this, between the samples neither"
    )
    limit_at_most_db: Annotated[float, Field(ge=0.0, le=12.0)] = Field(
        default=3.0,
        description="peaks are turned down by this at most; past it the take stays softer than asked",
    )
    level_by: Literal["take", "session"] = Field(
        default="take",
        description='"take": all takes equally loud; "session": one gain for all, quiet takes stay quiet',
    )
    sample_rate_hz: Annotated[SampleRate, WholeChoice] | Literal["keep"] = Field(
        default="keep", description='"keep": that of the take (opus is always 48000)'
    )
    format: Literal["wav", "flac", "ogg", "opus", "mp3"] = Field(
        default="wav",
        description="wav and flac keep every bit; ogg, opus and mp3 are small files for previews",
    )
    bit_depth: Annotated[Literal[16, 24], WholeChoice] | Literal["float"] = Field(
        default=24, description='for wav and flac; "float" for wav only; ogg, opus and mp3 have none'
    )
    head_s: Seconds | Literal["keep"] = Field(
        default="keep", description="silence left before the first sound; a number trims"
    )
    tail_s: Seconds | Literal["auto"] = Field(
        default="auto", description='how long the end rings on; "auto": until the room has fallen by 60 dB'
    )
    fade_in_ms: Fade = Field(default=5.0, description="length of the fade at the beginning")
    fade_out_ms: Fade = Field(default=200.0, description="length of the fade at the end")

    @model_validator(mode="after")
    def _refuse_misfits(self) -> Self:
        if self.format == "flac" and self.bit_depth == "float":
            refuse_together(
                "bit_depth",
                "format",
                reason='flac holds whole numbers only: must be 16 or 24 with format = "flac"',
                fix='write bit_depth = 24, or format = "wav"',
            )
        if self.sample_rate_hz != "keep":
            fault = format_fault(self.format, self.sample_rate_hz)
            if fault:
                refuse_together("sample_rate_hz", "format", reason=fault, fix="write sample_rate_hz = 48000")
        return self


def format_fault(file_format: str, sample_rate_hz: int) -> str:
    """Why a file of this format cannot have this sample rate; empty if it can."""
    if file_format == "mp3" and sample_rate_hz not in MP3_RATES_HZ:
        return f"mp3 has 8000 to 48000 Hz, and of these only {', '.join(map(str, MP3_RATES_HZ))}"
    if file_format == "ogg" and sample_rate_hz > OGG_HIGHEST_RATE_HZ:
        return f"ogg has {OGG_HIGHEST_RATE_HZ} Hz at most"
    return ""


def _none_for_off(value: object) -> object:
    return None if isinstance(value, str) and value == "off" else value


class Recipe(Model):
    """Everything between a take and its finished file.

    Two recipes are equal if they say the same, wherever it is written.
    ``sources`` keeps the order of the file.
    """

    title: Line = Field(default="", description="name of the recipe for people")
    notes: Paragraphs = Field(default="", description="what it is for, which guitar, which strings")
    sources: dict[SourceName, Source] = Field(
        min_length=2, max_length=2, description="the two sources; their names are free"
    )
    stereo: Stereo = Field(default_factory=Stereo, description="what is done to left and right together")
    room: Annotated[Room | None, BeforeValidator(_none_for_off)] = Field(
        default=None, description='the room; without this table, or with room = "off", there is none'
    )
    finish: Finish = Field(default_factory=Finish, description="level and form of the finished file")

    _origin: Origin | None = PrivateAttr(default=None)

    @model_validator(mode="after")
    def _refuse_two_autos(self) -> Self:
        first, second = self.sources
        if self.sources[first].is_auto and self.sources[second].is_auto:
            key = "delay_ms" if self.sources[second].delay_ms == "auto" else "polarity"
            refuse_together(
                f"sources.{second}.{key}",
                reason=f'"auto" moves one source to meet the other, and {first} has "auto" already',
                fix=f"write {key} = {'0' if key == 'delay_ms' else chr(34) + 'keep' + chr(34)} here, or "
                f'take the "auto" of {first} out',
            )
        return self

    @model_validator(mode="after")
    def _refuse_endless(self) -> Self:
        longest_s = estimate_response_s(self)
        if longest_s > LONGEST_RESPONSE_S:
            parts = response_parts_s(self)
            refuse_together(
                max(parts, key=parts.__getitem__),
                reason=f"the whole may ring for {longest_s:.0f} s; {plain(LONGEST_RESPONSE_S)} s at most",
                fix="shorten the room's decay or the delays, or lower the q of narrow stages",
            )
        return self

    @property
    def origin(self) -> Origin | None:
        """Files in which its values stand; None for one made in Python."""
        return self._origin

    @property
    def path(self) -> Path | None:
        """File the recipe was read from; None for one made in Python."""
        return self._origin.path if self._origin else None

    @property
    def name(self) -> str:
        """Stem of the file: names the folder of the mixes."""
        return self.path.stem if self.path else "recipe"

    @property
    def files(self) -> tuple[Path, ...]:
        """Impulse-response files, each once; sources in the order of their names, then the stereo chain."""
        chains = [self.sources[name].chain for name in sorted(self.sources)]
        stages = [stage for chain in (*chains, self.stereo.chain) for stage in chain]
        return tuple(dict.fromkeys(stage.file for stage in stages if isinstance(stage, ImpulseResponse)))

    @property
    def auto_source(self) -> str | None:
        """The source that is moved to meet the other take by take, if there is one."""
        return next((name for name, source in self.sources.items() if source.is_auto), None)

    @property
    def sha256_of_values(self) -> str:
        """Hash of all values, defaults included; the same whatever comments, order of keys or inheritance.

        A file counts by its name and its place in `files`: together with the contents of `files` the hash
        decides the sound, and a folder may be moved.
        """
        text = json.dumps(self._canonical(self.model_dump()), sort_keys=True, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()

    def with_origin(self, origin: Origin) -> Self:
        """The same recipe, knowing where it was written."""
        recipe = self.model_copy()
        recipe._origin = origin  # noqa: SLF001 - its own class
        return recipe

    def _canonical(self, value: Any) -> Any:
        match value:
            case dict():
                return {key: self._canonical(item) for key, item in value.items()}
            case tuple():
                return [self._canonical(item) for item in value]
            case Path():
                return [self.files.index(value), value.name]
            case float():
                return value + 0.0  # -0.0 is 0.0
            case _:
                return value

    def __eq__(self, other: object) -> bool:
        return dict(self) == dict(other) if isinstance(other, Recipe) else NotImplemented

    def __hash__(self) -> int:
        return hash(self.sha256_of_values)
