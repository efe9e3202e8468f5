"""What a line check has to say: a finding is a kind, how grave it is, plain words, and what to do about it.

The numbers come from `analysis`, the words and the gravity from the modules beside this one.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal, get_args

from render.units import clock

Severity = Literal["fault", "warning", "note"]
Kind = Literal[
    "clipping",
    "dc",
    "dropout",
    "click",
    "noise",
    "hum",
    "dead-source",
    "same-signal",
    "swapped",
    "inverted",
    "other-guitar",
    "drift",
    "boom",
    "level",
    "talk",
    "file",
]
Case = Literal[
    "silent", "unheard", "part-of-take", "nothing-played",
    "by-itself", "against-session", "one-of-two",
    "one-take", "several-takes",
    "clocks", "jump", "moved",
    "soft", "full",
    "talk", "tuning",
    "unreadable", "incomplete", "coarse", "low-rate", "more-channels", "too-short", "stopped-early",
]  # fmt: skip
CASES: Mapping[Kind, tuple[Case, ...]] = {
    "dead-source": ("silent", "unheard", "part-of-take", "nothing-played"),
    "swapped": ("by-itself", "against-session", "one-of-two"),
    "other-guitar": ("one-take", "several-takes"),
    "drift": ("clocks", "jump", "moved"),
    "level": ("soft", "full"),
    "talk": ("talk", "tuning"),
    "file": ("unreadable", "incomplete", "coarse", "low-rate", "more-channels", "too-short", "stopped-early"),
}
"""What a kind that stands for several things may be; the others are what they are called."""

SEVERITIES: tuple[Severity, ...] = get_args(Severity)
KINDS: tuple[Kind, ...] = get_args(Kind)
Figure = int | float | str | list[int] | list[float] | list[str] | None


@dataclass(frozen=True)
class Finding:
    """One thing to know about a take.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    severity : "fault", "warning" or "note"
        A fault spoils the mix, a warning should be looked at, a note is good to know.
    text, remedy : str
        What was found, and what to do.
    channel : int or None
        The source it concerns, by its channel; None for the take as a whole.
    figures : mapping
        What was measured; units are in the names.
    places_s : tuple of float
        Where in the take, in seconds, for what has a place.
    case : str, optional
        Which of `CASES` of its kind, for scripts; None where the kind says all.
    """

    kind: Kind
    severity: Severity
    text: str
    remedy: str
    channel: int | None = None
    figures: Mapping[str, Figure] = field(default_factory=dict)
    places_s: tuple[float, ...] = ()
    case: Case | None = None

    def as_dict(self) -> dict[str, object]:
        """Plain values for JSON, the figures beside the words."""
        line: dict[str, object] = {
            "kind": self.kind,
            "what": self.case or self.kind,
            "severity": self.severity,
            "source": self.channel,
            "text": self.text,
            "remedy": self.remedy,
            **{
                name: value + 0.0 if isinstance(value, float) else value
                for name, value in self.figures.items()
            },
        }
        if self.places_s:
            line["places_s"] = list(self.places_s)
        return line


def gravest(findings: list[Finding]) -> Severity | None:
    """The gravest severity there is, None without findings."""
    return next((severity for severity in SEVERITIES if any(f.severity == severity for f in findings)), None)


def in_order(findings: list[Finding]) -> list[Finding]:
    """Gravest first, then by kind as the table of kinds has them, then by channel."""
    return sorted(
        findings,
        key=lambda finding: (
            SEVERITIES.index(finding.severity),
            KINDS.index(finding.kind),
            finding.channel or 0,
        ),
    )


def decibels(level_db: float, *, digits: int = 0) -> str:
    """A level in words: whole decibels, finer where it is held against a limit; never `-0`."""
    return f"{round(level_db, digits) + 0.0:.{digits}f}"


def times(count: int) -> str:
    """`once`, `twice`, `3 times`."""
    return "once" if count == 1 else "twice" if count == 2 else f"{count} times"


def percent(sureness: float) -> str:
    """A sureness in words; nothing that is heard of a recording is quite sure."""
    return f"{min(99.0, 100.0 * sureness):.0f} %"


def duration_words(duration_s: float) -> str:
    """A short length as it is read: `2.5 ms`, `143 ms`, `1.6 s`."""
    if duration_s >= 0.9995:
        return f"{duration_s:.1f} s"
    return f"{1000.0 * duration_s:.{0 if duration_s >= 0.00995 else 1}f} ms"


def at_places(places_s: tuple[float, ...], *, most: int = 5) -> str:
    """`at 0:07.4 (twice), 0:09.1 and 0:12.0`, or the first few `and other places`; each tenth of a second once."""
    counts = Counter(clock(place) for place in places_s)
    if len(counts) > most:
        return f"at {', '.join(list(counts)[:most])} and other places"
    moments = [moment if count == 1 else f"{moment} ({times(count)})" for moment, count in counts.items()]
    return f"at {listed(moments, most=most)}" if moments else ""


def listed(names: Sequence[str], *, most: int = 3) -> str:
    """`a`, `a and b`, `a, b, c and 2 more`."""
    if len(names) > most:
        return f"{', '.join(names[:most])} and {len(names) - most} more"
    return " and ".join(filter(None, [", ".join(names[:-1]), names[-1]]))
