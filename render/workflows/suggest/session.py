"""The job from beginning to end: takes of one guitar in, a recipe and a picture out."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from pathlib import Path

from render.analysis.guitar import UnfitError
from render.analysis.moves import WIDTH_DB
from render.engine.job import Watch
from render.errors import OutputError, SessionError, UsageError
from render.recipe.load import load_recipe, parse_recipe
from render.recipe.models import Recipe
from render.workflows.check.findings import listed
from render.workflows.check.session import CheckRequest, check_session
from render.workflows.recipe import refuse_faults
from render.workflows.suggest.gather import Exchange, choose_takes, exchange_of, measure_takes
from render.workflows.suggest.picture import draw_plan
from render.workflows.suggest.placing import Roles, find_roles
from render.workflows.suggest.plan import Plan, make_plan
from render.workflows.suggest.recipe_text import Told, fresh_recipe, fresh_text, like_text
from render.workflows.suggest.report import plan_as_dict, told_lines


@dataclass(frozen=True)
class SuggestRequest:
    """What a call asks for; ``like`` None begins with nothing, ``width_db`` None takes the default width."""

    session: Path
    output: Path
    like: Path | None = None
    width_db: float | None = None
    redo: bool = False
    jobs: int = 1


@dataclass(frozen=True, eq=False)
class SuggestResult:
    """What came of it: where recipe and picture are, what was found, and notes."""

    recipe: Path
    picture: Path | None
    plan: Plan
    told: Told
    notes: tuple[str, ...]

    def lines(self) -> list[str]:
        """The moves in words, for a screen."""
        return told_lines(self.plan, self.told)

    def warning(self) -> str | None:
        """That a render of the whole session mixes what was left out as well; None if nothing was."""
        names = [name for name, _ in self.told.left_out]
        if not names:
            return None
        one = len(names) == 1
        return (
            f"left out: {listed(names, most=len(names))}; drytake render mixes {'it' if one else 'them'} too, "
            f"unless you move {'it' if one else 'them'} to another folder"
        )

    def as_dict(self) -> dict[str, object]:
        """Everything as plain values, for JSON."""
        return {
            "recipe": str(self.recipe),
            "picture": None if self.picture is None else str(self.picture),
            "takes": list(self.told.takes),
            "left_out": [{"take": name, "reason": why} for name, why in self.told.left_out],
            "notes": [*self.told.remarks, *self.notes],
            **plan_as_dict(self.plan),
        }


def picture_path(recipe: Path) -> Path:
    """Beside the recipe, under a name that `recipe plot` does not use."""
    return recipe.with_name(f"{recipe.stem}_before_after.png")


def suggest_session(request: SuggestRequest, *, watch: Watch) -> SuggestResult:
    """Measure a guitar's takes and write a first recipe for it.

    Parameters
    ----------
    request : SuggestRequest
    watch : callable
        Told how the measuring goes on.

    Raises
    ------
    UsageError, SessionError
        If the call is wrong, or nothing can be measured; nothing was written.
    RecipeError
        With every fault of the recipe to begin with.
    OutputError
        If the recipe or the picture cannot be written.
    """
    _check_request(request)
    base = fresh_recipe() if request.like is None else _open_like(request)
    roles = find_roles(base)
    checked = check_session(
        CheckRequest(request.session, recipe=request.like, jobs=request.jobs), watch=watch
    )
    fit, left_out = choose_takes(checked.takes)
    if not fit:
        raise SessionError(f"{request.session}: no take is fit to be measured{_listed(left_out)}")
    pickup, microphone = (base.sources[name].channel for name in roles.names)
    try:
        taken = measure_takes(fit, channels=(pickup, microphone))
        exchange = exchange_of(fit, taken, channels=(pickup, microphone))
        if request.like is None:
            if exchange.is_strong:
                pickup, microphone = microphone, pickup
                taken = measure_takes(fit, channels=(pickup, microphone))
            lowest_rate_hz = min(take.sample_rate_hz for take in taken)
            base = fresh_recipe(channels=(pickup, microphone), lowest_rate_hz=lowest_rate_hz)
        plan = make_plan(taken, base=base, roles=roles, width_db=request.width_db, fresh=request.like is None)
    except UnfitError as error:
        raise SessionError(f"{request.session}: {error}{_listed(left_out)}") from error
    told = Told(
        session=request.session.resolve().stem
        if request.session.is_file()
        else request.session.resolve().name,
        takes=tuple(take.name for take in taken),
        left_out=tuple(left_out),
        sound_s=sum(take.balance.sound_s for take in taken),
        remarks=_remarks(exchange, base, roles, fresh=request.like is None),
    )
    write = fresh_text if request.like is None else like_text
    text = write(plan, base, told, name=request.output.stem, folder=request.output.parent)
    recipe = parse_recipe(text, request.output)  # it loads, or it is not written
    _write(request.output, text)
    picture, note = draw_plan(plan, recipe, told, picture_path(request.output))
    return SuggestResult(request.output, picture, plan, told, (*checked.notes, *([note] if note else [])))


def _remarks(exchange: Exchange, base: Recipe, roles: Roles, *, fresh: bool) -> tuple[str, ...]:
    """What is said where channels seem to be exchanged."""
    if not exchange.is_strong:
        return ()
    microphone = base.sources[roles.names[1]].channel
    signs = f"sure to {100.0 * exchange.sureness:.0f} %, by {', '.join(exchange.signs)}"
    if fresh:
        text = f"Channel {microphone} was taken for the microphone ({signs})."
        return (f"{text} If that is wrong, exchange the two channel numbers.",)
    return (f"Channel {microphone} should be the microphone, but the other one is, it seems ({signs}).",)


def _check_request(request: SuggestRequest) -> None:
    low_db, high_db = WIDTH_DB
    if request.width_db is not None and not low_db <= request.width_db <= high_db:
        raise UsageError(f"--width {request.width_db:g}: must be {low_db:g} to {high_db:g} dB")
    if request.output.suffix.lower() != ".toml":
        raise UsageError(f"{request.output}: recipes are TOML; let the name end in .toml")
    if request.like is not None and request.like.resolve() == request.output.resolve():
        raise UsageError(f"{request.output}: is the recipe to begin with; give the new one another name")
    if not request.redo:
        for path in (request.output, picture_path(request.output)):
            if path.exists():
                raise UsageError(f"{path}: is there already; --redo writes it anew")


def _open_like(request: SuggestRequest) -> Recipe:
    recipe = load_recipe(str(request.like))
    refuse_faults([recipe])
    return recipe


def _listed(left_out: list[tuple[str, str]]) -> str:
    return "".join(f"\n  left out: {name}: {why}" for name, why in left_out)


def _write(target: Path, text: str) -> None:
    """Written beside its place, then put there."""
    beside = target.with_name(f".{target.name}.{secrets.token_hex(4)}.part")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        try:
            beside.write_text(text, encoding="utf-8", newline="\n")
            beside.replace(target)
        finally:
            beside.unlink(missing_ok=True)
    except OSError as error:
        raise OutputError(f"{target}: cannot be written: {error.strerror or error}") from error
