"""What is known of takes and versions before anything is rendered: headers, hashes, passages, where "auto" leads."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from functools import partial

from render.analysis.delay import Alignment
from render.audio.read import TakeInfo, probe, sha256_of_files
from render.engine.ledger import identity_of
from render.engine.listen import measure_take_alignment
from render.engine.meet import Moved, channels_of, meet
from render.engine.workers import Workers
from render.errors import DrytakeError, Problem, RecipeError, TakeError
from render.recipe.check import check_at_rate
from render.recipe.models import Recipe
from render.session.takes import Take
from render.units import db_from_power
from render.version import __version__
from render.workflows.compare.choices import FADE_MS, Choice
from render.workflows.compare.kept import Kept
from render.workflows.compare.passages import Listened, Part, choose_parts
from render.workflows.compare.side_by_side import side_by_side

LEAST_S = 0.4
"""Loudness is measured over blocks of 400 ms (ITU-R BS.1770): a take that is shorter has none."""

NO_SOUND_DBFS = -90.0
"""Mean of a whole take, below which there is nothing but what a converter leaves; common practice, no source."""


@dataclass(eq=False)
class Material:
    """A take on its way to the page; `moves` by the place of a choice among all."""

    take: Take
    info: TakeInfo | None = None
    input_sha256: str = ""
    listened: Listened | None = None
    moves: dict[int, Moved] = field(default_factory=dict)
    failure: DrytakeError | None = None
    channels: tuple[int, int] = (1, 2)

    @property
    def parts(self) -> tuple[Part, ...]:
        """The passages of it that are compared."""
        return () if self.listened is None else self.listened.parts

    def hears(self, recipe: Recipe) -> bool:
        """Whether a recipe reads the channels that were listened to."""
        return channels_of(recipe) == self.channels

    @property
    def known(self) -> TakeInfo:
        """Its headers."""
        if self.info is None:
            raise ValueError("info must be known: the headers of this take were not read")
        return self.info


@dataclass(frozen=True, eq=False)
class Gathering:
    """How material is gathered: the versions, what is kept, threads, and whom to tell of frames done."""

    choices: Sequence[Choice]
    kept: Kept
    excerpt_s: float | None
    jobs: int
    cancel: threading.Event
    on_frames: Callable[[int], None]

    def each(self, action: Callable[[Material], None], materials: Sequence[Material]) -> None:
        """Run an action over takes; one that cannot be read is its own fault only."""

        def guarded(material: Material) -> None:
            try:
                action(material)
            except TakeError as error:
                material.failure = error

        side_by_side(guarded, materials, jobs=self.jobs, cancel=self.cancel)


def look_at_headers(takes: Sequence[Take], choices: Sequence[Choice]) -> list[Material]:
    """Headers of all takes; faults of recipes that show only at their rates.

    Raises
    ------
    RecipeError
        If a recipe does not fit the sample rate of a take.
    """
    materials = [Material(take) for take in takes]
    problems: dict[str, Problem] = {}
    for material in materials:
        try:
            for channels in dict.fromkeys(channels_of(choice.recipe) for choice in choices):
                material.info = probe(material.take.files, channels=channels)
        except TakeError as error:
            material.failure = error
            continue
        for choice in choices:
            rate_hz = material.known.sample_rate_hz
            for problem in check_at_rate(choice.linear, rate_hz, take=material.take.name):
                problems.setdefault(f"{problem.path}:{problem.key}:{problem.value}", problem)
    if problems:
        raise RecipeError(list(problems.values()))
    return materials


def hash_takes(gathering: Gathering, materials: Sequence[Material]) -> None:
    """Contents of all takes."""
    stop = Workers(cancel=gathering.cancel)

    def hash_take(material: Material) -> None:
        material.input_sha256 = sha256_of_files(material.take.files, on_block=lambda: stop.step(0))

    gathering.each(hash_take, [material for material in materials if material.failure is None])


def find_parts(gathering: Gathering, materials: Sequence[Material]) -> None:
    """The passages of all takes, as they were found before where nothing has changed."""
    channels = channels_of(gathering.choices[0].recipe)

    def find(material: Material) -> None:
        identity = identity_of(
            {
                "listened": material.input_sha256,
                "channels": channels,
                "excerpt_s": gathering.excerpt_s,
                "version": __version__,
            }
        )
        noted = gathering.kept.note(identity)
        if noted is None:
            listened = choose_parts(
                material.take,
                material.known,
                channels=channels,
                excerpt_s=gathering.excerpt_s,
                on_frames=gathering.on_frames,
            )
            gathering.kept.keep_note(identity, asdict(listened))
        else:
            parts = tuple(Part(**part) for part in noted["parts"])
            first, second, both = noted["source_sums"]
            listened = Listened(parts, (first, second, both), noted["frames"])
        _refuse_nothing_to_hear(material, listened)
        material.listened, material.channels = listened, channels

    gathering.each(find, [material for material in materials if material.failure is None])


def _refuse_nothing_to_hear(material: Material, listened: Listened) -> None:
    """A take without a loudness cannot be matched to anything."""
    file, length_s = material.take.files[0], listened.frames / material.known.sample_rate_hz
    if not listened.parts:
        raise TakeError(file, "holds no frame", "record longer, or remove it")
    if length_s < LEAST_S:
        raise TakeError(
            file,
            f"too short to have a loudness: {length_s:.2f} s, {LEAST_S:g} s are needed",
            "record longer, or remove it",
        )
    if db_from_power(listened.mean_square) < NO_SOUND_DBFS:
        raise TakeError(
            file, "no sound in it", "look at cables and at the recorder's inputs, or name other channels"
        )


def find_moves(gathering: Gathering, materials: Sequence[Material]) -> None:
    """Where "auto" leads: measured on whole takes, agreed over all takes of a folder, as in a batch."""
    folders: dict[str, list[Material]] = {}
    for material in materials:
        if material.failure is None:
            folders.setdefault(str(material.take.folder), []).append(material)
    alignments: dict[tuple[int, tuple[int, int]], Alignment] = {}
    for place, choice in enumerate(gathering.choices):
        if choice.recipe.auto_source is None:
            continue
        for session in folders.values():
            _move(gathering, place, session, alignments)


def _move(
    gathering: Gathering,
    place: int,
    session: Sequence[Material],
    alignments: dict[tuple[int, tuple[int, int]], Alignment],
) -> None:
    recipe = gathering.choices[place].recipe
    identity = identity_of(
        {
            "moves": [material.input_sha256 for material in session],
            "sources": _positions(recipe),
            "version": __version__,
        }
    )
    noted = gathering.kept.note(identity)
    if noted is None:
        channels = channels_of(recipe)
        missing = [it for it in session if (id(it), channels) not in alignments]
        gathering.each(partial(_align, alignments, channels, gathering.on_frames), missing)
        moves = meet(recipe, [alignments.get((id(material), channels)) for material in session])
        if all(material.failure is None for material in session):
            gathering.kept.keep_note(identity, [moved.as_dict() for moved in moves])
    else:
        moves = [Moved(**moved) for moved in noted]
    for material, moved in zip(session, moves, strict=True):
        material.moves[place] = moved


def _align(
    alignments: dict[tuple[int, tuple[int, int]], Alignment],
    channels: tuple[int, int],
    on_frames: Callable[[int], None],
    material: Material,
) -> None:
    alignments[id(material), channels] = measure_take_alignment(
        material.take, channels=channels, on_frames=on_frames
    )


def _positions(recipe: Recipe) -> list[list[object]]:
    """What of a recipe decides where "auto" leads."""
    return [
        [name, source.channel, source.delay_ms, source.polarity] for name, source in recipe.sources.items()
    ]


def mix_identity(
    material: Material, choice: Choice, moved: Moved | None, part: Part, *, recipe_sha256: str
) -> str:
    """Everything that decides a linear mix of an excerpt, and its figures."""
    return identity_of(
        {
            "excerpt": material.input_sha256,
            "recipe": recipe_sha256,
            "limited": choice.limited,
            "moved": None if moved is None else [moved.source, moved.delay_ms, moved.polarity],
            "frames": [part.first_frame, part.frames],
            "fade_ms": FADE_MS,
            "version": __version__,
        }
    )
