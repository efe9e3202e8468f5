"""What several listeners said together: figures only, the words for them are in `merged_text`."""

from __future__ import annotations

from dataclasses import asdict, dataclass

from render.analysis.votes import Interval, MeanEstimate


@dataclass(frozen=True)
class VersionRated:
    """Ratings of one version, 0 to 100.

    Attributes
    ----------
    version : str
    judgements : int
        Over listeners and excerpts.
    listeners : int
    mean : float
        Of the listeners' means.
    interval : Interval or None
        At 95 %, inside 0 to 100; none for one listener.
    """

    version: str
    judgements: int
    listeners: int
    mean: float
    interval: Interval | None


@dataclass(frozen=True)
class PairRated:
    """How much higher one version was rated than another, excerpt by excerpt, then listener by listener.

    Attributes
    ----------
    higher, lower : str
        By the mean difference.
    difference : MeanEstimate
        In points, 0 or more.
    chance_holm_fraction : float or None
        Its chance corrected for the number of pairs; none for one listener.
    told_apart : bool
        Whether that is at most 0.05.
    """

    higher: str
    lower: str
    difference: MeanEstimate
    chance_holm_fraction: float | None
    told_apart: bool


@dataclass(frozen=True)
class VersionRanked:
    """Ranks of one version, 1 is best; only judgements that rank every version.

    Attributes
    ----------
    version : str
    judgements, listeners : int
    mean_rank : float
        Of the listeners' means; equal ranks share the mean of their places.
    first : int
        Judgements in which none was ranked better.
    """

    version: str
    judgements: int
    listeners: int
    mean_rank: float
    first: int


@dataclass(frozen=True)
class PairRanked:
    """Which of two versions listeners ranked better, each listener by the majority of their excerpts.

    Attributes
    ----------
    better, worse : str
        By the number of listeners.
    for_better, for_worse, undecided : int
        Listeners.
    chance_fraction : float
        Exact sign test, two-sided.
    chance_holm_fraction : float
        Corrected for the number of pairs.
    told_apart : bool
        Whether that is at most 0.05.
    """

    better: str
    worse: str
    for_better: int
    for_worse: int
    undecided: int
    chance_fraction: float
    chance_holm_fraction: float
    told_apart: bool


@dataclass(frozen=True)
class Score:
    """Right answers to "is X the first or the second?".

    Attributes
    ----------
    listener : str or None
        None for all together.
    runs, hits, trials : int
    interval : Interval
        Of the true rate of right answers, at 95 %, after Clopper and Pearson.
    chance_fraction : float
        Of as many right answers or more by guessing.
    chance_holm_fraction : float
        Corrected for the number of tests: of pairs and conditions for all together, of those and listeners else.
    told_apart : bool
        Whether that is at most 0.05.
    """

    listener: str | None
    runs: int
    hits: int
    trials: int
    interval: Interval
    chance_fraction: float
    chance_holm_fraction: float
    told_apart: bool


@dataclass(frozen=True)
class PairHeard:
    """All runs with one pair of versions, heard in one way."""

    pair: tuple[str, str]
    condition: str
    together: Score
    listeners: tuple[Score, ...]


@dataclass(frozen=True)
class Note:
    """Words that a listener left, and which version each letter in them was: A for the first of ``order``."""

    listener: str
    take: str
    excerpt: str
    text: str
    order: tuple[str, ...]


@dataclass(frozen=True)
class Counts:
    """Everything that can be said of some of the music."""

    rated: tuple[VersionRated, ...]
    pairs_rated: tuple[PairRated, ...]
    ranked: tuple[VersionRanked, ...]
    pairs_ranked: tuple[PairRanked, ...]
    heard: tuple[PairHeard, ...]


@dataclass(frozen=True)
class Merged:
    """The merged votes.

    Attributes
    ----------
    page : str
        Identity of the page that all were made on.
    listeners : tuple of str
        In alphabetical order; those without a name are numbered.
    judgements, runs : int
    counts : Counts
        All takes together.
    takes : mapping of str to Counts
        Each take by itself; corrections for several tests are made inside each take.
    notes : tuple of Note
        Take by take and excerpt by excerpt, as the page has them.
    titles : mapping of str to str
        What the page calls each version, in its order; empty where no file tells.
    remarks : tuple of str
        What to know before believing the figures.
    """

    page: str
    listeners: tuple[str, ...]
    judgements: int
    runs: int
    counts: Counts
    takes: dict[str, Counts]
    notes: tuple[Note, ...]
    titles: dict[str, str]
    remarks: tuple[str, ...]

    def as_dict(self) -> dict[str, object]:
        """Plain values, for JSON."""
        return asdict(self)
