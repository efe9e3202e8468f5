"""What lies across both tracks is told once."""

from __future__ import annotations

from dataclasses import replace

from render.workflows.check.findings import Finding
from render.workflows.check.together import told_once, told_together

GAP = Finding(
    "dropout",
    "fault",
    "the sound stops dead twice",
    "use another take",
    channel=1,
    figures={"count": 2, "longest_s": 0.01, "lost_s": 0.02},
    places_s=(3.0, 8.0),
)
OTHER = replace(
    GAP, channel=2, figures={"count": 2, "longest_s": 0.012, "lost_s": 0.019}, places_s=(3.001, 8.0)
)


def test_a_gap_across_both_tracks_is_one() -> None:
    """Of the take as a whole, with the larger figures."""
    (told,) = told_together([GAP, OTHER])

    assert told.channel is None
    assert told.text == "on both tracks the sound stops dead twice"
    assert told.figures == {"count": 2, "longest_s": 0.012, "lost_s": 0.02}


def test_gaps_at_other_moments_stay_two() -> None:
    """Also where there are more on one track, or more than places are kept of."""
    elsewhere = replace(OTHER, places_s=(3.0, 9.0))
    more = replace(OTHER, places_s=(3.0, 8.0, 9.0), figures={"count": 3})
    counted = replace(OTHER, figures={"count": 70})

    for other in (elsewhere, more, counted):
        assert told_together([GAP, other]) == [GAP, other]


def test_the_graver_of_two_clicks_counts() -> None:
    """A click is a note on one track and a warning on the other: a warning, once."""
    note = replace(GAP, kind="click", severity="note", text="clicks twice")
    warning = replace(note, severity="warning", channel=2)

    (told,) = told_together([note, warning])

    assert told.severity == "warning"


def test_other_findings_are_left_alone() -> None:
    """One gap, and hum on both tracks: nothing to join."""
    hum = Finding("hum", "note", "mains hum", "", channel=1)
    found = [GAP, hum, replace(hum, channel=2)]

    assert told_together(found) == found


JUMP = Finding("drift", "fault", "jumps", "use another take", places_s=(17.3,))
CLICK = Finding(
    "click", "note", "clicks once", "listen", channel=2, figures={"count": 1}, places_s=(17.3002,)
)


def test_the_click_of_a_lost_piece_is_told_with_it() -> None:
    """Not a second time as a click; clicks elsewhere are told with all their places."""
    more = replace(CLICK, figures={"count": 2}, places_s=(4.0, 17.3002))

    assert told_once([JUMP, CLICK]) == [JUMP]
    assert told_once([JUMP, more]) == [JUMP, more]
    assert told_once([CLICK]) == [CLICK]
    assert told_once([JUMP, replace(CLICK, places_s=())]) == [JUMP, replace(CLICK, places_s=())]
