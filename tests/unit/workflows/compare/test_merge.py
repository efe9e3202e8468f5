"""Several listeners' votes merged: who counts, what is counted, what is said."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from render.analysis.votes import measure_mean
from render.cli.votes_screen import run_merge
from render.errors import UsageError
from render.workflows.compare.merge import merge_votes, merged_text
from render.workflows.compare.plain_table import cells, folded, table
from tests.helpers.votes import judgement, run, saved, votes


def merged_of(folder: Path, *contents: dict[str, Any]) -> Any:
    """Files of these contents, merged."""
    return merge_votes([saved(folder, f"{place}.json", content) for place, content in enumerate(contents)])


def flat(text: str) -> str:
    """Without line ends."""
    return " ".join(text.split())


def test_a_listener_counts_once(tmp_path: Path) -> None:
    """Who judges three excerpts weighs as much as who judges one: the means are of listeners' means."""
    merged = merged_of(
        tmp_path,
        votes("Ada", [judgement({"dry": 10, "warm": 90}, take=take) for take in ("a", "b", "c")]),
        votes("Bo", [judgement({"dry": 30, "warm": 50}, take="a")]),
    )
    warm, dry = merged.counts.rated
    assert (warm.version, warm.mean, warm.judgements, warm.listeners) == ("warm", 70.0, 4, 2)
    assert (dry.version, dry.mean) == ("dry", 20.0)
    (pair,) = merged.counts.pairs_rated
    assert (pair.higher, pair.lower, pair.difference.mean, pair.difference.number) == ("warm", "dry", 50.0, 2)
    assert merged.takes["b"].rated[0].listeners == 1
    assert merged.takes["b"].rated[0].interval is None
    assert any("same excerpts" in remark for remark in merged.remarks)


def test_differences_are_paired(tmp_path: Path) -> None:
    """Listeners who use other parts of the scale but agree on the difference tell the versions apart."""
    merged = merged_of(
        tmp_path,
        *(
            votes(f"L{place}", [judgement({"dry": base, "warm": base + more})])
            for place, (base, more) in enumerate([(5, 9), (30, 11), (55, 10), (80, 12)])
        ),
    )
    (pair,) = merged.counts.pairs_rated
    assert pair.difference == measure_mean([9.0, 11.0, 10.0, 12.0])
    assert pair.told_apart
    rated = merged.counts.rated
    assert rated[0].interval.low < rated[1].interval.high  # their own intervals overlap widely
    assert 'Surely rated differently: "warm" above "dry".' in flat(merged_text(merged))


def test_versions_missing_here_and_there(tmp_path: Path) -> None:
    """A version that a listener left out is neither 0 nor anything else."""
    merged = merged_of(
        tmp_path,
        votes("Ada", [judgement({"dry": 10, "warm": 60, "wide": None})]),
        votes("Bo", [judgement({"dry": None, "warm": 70, "wide": 20})]),
    )
    assert {one.version: one.listeners for one in merged.counts.rated} == {"warm": 2, "dry": 1, "wide": 1}
    assert {(one.higher, one.lower) for one in merged.counts.pairs_rated} == {
        ("warm", "dry"),
        ("warm", "wide"),
    }
    assert "No two listeners rated the same two versions" in flat(merged_text(merged))


def test_one_listener_gets_no_interval(tmp_path: Path) -> None:
    """Said in words, not with an empty column alone."""
    merged = merged_of(tmp_path, votes("Ada", [judgement({"dry": 10, "warm": 90})]))
    assert merged.counts.pairs_rated[0].chance_holm_fraction is None
    assert not merged.counts.pairs_rated[0].told_apart
    assert "One listener: no interval." in flat(merged_text(merged))


def test_agreement_to_the_point_is_agreement_to_a_point(tmp_path: Path) -> None:
    """Ratings are whole points: two listeners who differ from each other by nothing leave room for rounding."""
    both = [votes(name, [judgement({"dry": 50, "warm": 51})]) for name in ("Ada", "Bo")]
    merged = merged_of(tmp_path, *both)
    (pair,) = merged.counts.pairs_rated
    quantile = 12.706204736  # of one degree of freedom: tan(0.475 pi)
    reach = quantile * math.sqrt(2.0 / 12.0) / math.sqrt(2.0)
    assert pair.difference.interval.high == pytest.approx(1.0 + reach, rel=1e-9)
    assert not pair.told_apart
    assert merged.counts.rated[0].interval.high == pytest.approx(51.0 + quantile / math.sqrt(24.0), rel=1e-9)


def test_intervals_stay_on_the_scale(tmp_path: Path) -> None:
    """Two listeners who differ leave everything open, but not more than the scale has."""
    merged = merged_of(
        tmp_path,
        votes("Ada", [judgement({"dry": 0, "warm": 100})]),
        votes("Bo", [judgement({"dry": 60, "warm": 50})]),
    )
    assert [(one.interval.low, one.interval.high) for one in merged.counts.rated] == [(0.0, 100.0)] * 2
    interval = merged.counts.pairs_rated[0].difference.interval
    assert (interval.low, interval.high) == (-100.0, 100.0)


def test_many_pairs_are_corrected(tmp_path: Path) -> None:
    """A pair that would do alone does not among others: said as a perhaps."""
    rows = [(40, 52, 45), (42, 58, 40), (39, 47, 44), (41, 46, 41)]
    merged = merged_of(
        tmp_path,
        *(
            votes(f"L{place}", [judgement(dict(zip(("dry", "warm", "wide"), row, strict=True)))])
            for place, row in enumerate(rows)
        ),
    )
    first = merged.counts.pairs_rated[0]
    assert (first.higher, first.lower) == ("warm", "dry")
    assert first.difference.chance_fraction <= 0.05 < first.chance_holm_fraction
    text = flat(merged_text(merged))
    assert 'Perhaps rated differently: "warm" above "dry"' in text
    assert "Not surely rated differently: " in text


def test_ranks(tmp_path: Path) -> None:
    """Mean rank with shared places, how often first, and the sign test over listeners."""
    rankings = [{"dry": 3, "warm": 1, "wide": 1}] * 3 + [{"dry": 3, "warm": 1, "wide": 2}] * 4
    merged = merged_of(
        tmp_path, *(votes(f"L{place}", [judgement(ranks=one)]) for place, one in enumerate(rankings))
    )
    warm, wide, dry = merged.counts.ranked
    assert (warm.version, warm.first, warm.mean_rank) == ("warm", 7, pytest.approx((3 * 1.5 + 4) / 7))
    assert (wide.version, wide.first, wide.judgements) == ("wide", 3, 7)
    assert (dry.mean_rank, dry.first) == (3.0, 0)
    pairs = {(one.better, one.worse): one for one in merged.counts.pairs_ranked}
    assert pairs["warm", "dry"].chance_fraction == 2 / 128
    assert pairs["warm", "dry"].told_apart
    assert (pairs["warm", "wide"].for_better, pairs["warm", "wide"].undecided) == (4, 3)
    assert not pairs["warm", "wide"].told_apart
    assert "7 listeners of one mind are needed for one of 3 pairs" in flat(merged_text(merged))


def test_ranks_with_gaps_count_for_pairs_only(tmp_path: Path) -> None:
    """The mean rank of an incomplete list would be another scale's."""
    merged = merged_of(tmp_path, votes("Ada", [judgement(ranks={"dry": 2, "warm": 1, "wide": None})]))
    assert merged.counts.ranked == ()
    assert [(one.better, one.worse) for one in merged.counts.pairs_ranked] == [("warm", "dry")]
    assert "Ranked without names" in merged_text(merged)


def test_runs_are_pooled_and_by_listener(tmp_path: Path) -> None:
    """A pair's runs count together whichever was called the first; another condition is another test."""
    merged = merged_of(
        tmp_path,
        votes("Ada", trials=[run(12, 16), run(10, 16, pair=("warm", "capture"), shift=1)]),
        votes("Bo", trials=[run(15, 16, shift=2), run(9, 16, condition="mono")]),
    )
    mono, stereo = merged.counts.heard
    assert (mono.condition, mono.together.hits, mono.together.trials) == ("mono", 9, 16)
    assert (stereo.together.hits, stereo.together.trials, stereo.together.runs) == (37, 48, 3)
    assert [(one.listener, one.hits, one.trials) for one in stereo.listeners] == [
        ("Ada", 22, 32),
        ("Bo", 15, 16),
    ]
    tail = sum(math.comb(48, k) for k in range(37, 49)) / 2**48
    assert stereo.together.chance_fraction == tail
    assert stereo.together.chance_holm_fraction == 2 * tail  # two tests of all together
    assert (
        stereo.listeners[1].chance_holm_fraction == 3 * stereo.listeners[1].chance_fraction
    )  # three of listeners
    text = flat(merged_text(merged))
    assert "there is somebody who hears a difference" in text
    assert "does not show a difference, nor that there is none" in text
    assert "These are 5 tests." in text
    assert "BS.1116-3" in text
    assert any("more than once" in remark for remark in merged.remarks)


def test_a_hit_among_many_tests(tmp_path: Path) -> None:
    """12 of 16 alone are a hit; as one of six tests they are not, and both is said."""
    conditions = ("mono", "left", "right", "side", "small")
    alone = merged_of(tmp_path, votes("Ada", trials=[run(12, 16)]))
    assert "the listener hears a difference" in flat(merged_text(alone))
    assert "These are" not in merged_text(alone)
    many = merged_of(
        tmp_path, votes("Ada", trials=[run(12, 16), *(run(8, 16, condition=c) for c in conditions)])
    )
    text = flat(merged_text(many))
    assert "among so many tests it is not (corrected 23 %)" in text
    assert "up to 26 % of such tables" in text


def test_one_who_hears_among_guessers(tmp_path: Path) -> None:
    """Whom the sum hides is named."""
    guessers = [votes(f"L{place}", trials=[run(5, 16, shift=place)]) for place in range(3)]
    text = flat(merged_text(merged_of(tmp_path, votes("Eve", trials=[run(16, 16)]), *guessers)))
    assert '"Eve" by themselves are right too often for guessing' in text


def test_the_later_file_counts(tmp_path: Path) -> None:
    """A listener's earlier file is left out and named, with what only it holds; case and spaces do not matter."""
    early = votes(
        "ada ", [judgement({"dry": 1, "warm": 2}), judgement({"dry": 1, "warm": 2}, take="b")], [run(5, 8)]
    )
    late = votes("Ada", [judgement({"dry": 80, "warm": 90})], made_at="2030-05-05T00:00:00Z")
    merged = merged_of(tmp_path, late, early)
    assert merged.listeners == ("Ada",)
    assert merged.counts.rated[0].mean == 90.0
    (remark,) = merged.remarks
    assert "0.json is later" in remark
    assert "1.json left out" in remark
    assert "1 judgement and 1 run that the later one lacks" in remark


def test_a_file_counts_once(tmp_path: Path) -> None:
    """Named twice, or copied under another name, with or without a listener's name."""
    for listener in ("Ada", ""):
        content = votes(listener, [judgement({"dry": 10, "warm": 90})])
        path = saved(tmp_path, "a.json", content)
        copy = saved(tmp_path, "b.json", content)
        merged = merge_votes([path, copy, path])
        assert merged.judgements == 1
        assert len(merged.listeners) == 1
        assert sum("counted once" in remark for remark in merged.remarks) == 2


def test_files_without_names(tmp_path: Path) -> None:
    """Each is a listener; one that is called like a number is not mistaken for them."""
    merged = merged_of(
        tmp_path,
        votes("", [judgement({"dry": 10, "warm": 90})]),
        votes("  ", [judgement({"dry": 20, "warm": 80})]),
        votes("Unnamed 1", [judgement({"dry": 30, "warm": 70})]),
    )
    assert merged.listeners == ("Unnamed 1", "unnamed 2", "unnamed 3")
    assert sum("bears no name" in remark for remark in merged.remarks) == 2


def test_the_same_answers_under_two_names(tmp_path: Path) -> None:
    """Suspicious: said, not decided."""
    merged = merged_of(tmp_path, votes("Ada", trials=[run(12, 16)]), votes("Bo", trials=[run(12, 16)]))
    assert any('"Ada" and "Bo" gave the same answers' in remark for remark in merged.remarks)
    assert len(merged.listeners) == 2


def test_two_files_of_one_second_are_refused(tmp_path: Path) -> None:
    """Neither is the later one."""
    with pytest.raises(UsageError, match="made in the same second"):
        merged_of(
            tmp_path,
            votes("Ada", [judgement({"dry": 1, "warm": 2})]),
            votes("Ada", [judgement({"dry": 3, "warm": 2})]),
        )


def test_votes_of_another_page_are_refused(tmp_path: Path) -> None:
    """The odd one out is named with a remedy; between two equals both are."""
    two = [votes(name, [judgement({"dry": 1, "warm": 2})]) for name in ("Ada", "Bo")]
    other = votes("Cy", [judgement({"dry": 1, "warm": 2})], page="hayloft")
    with pytest.raises(
        UsageError, match='is of the page "hayloft"; most files are of "boathouse-1"'
    ) as caught:
        merged_of(tmp_path, *two, other)
    assert "2.json" in str(caught.value)
    assert "0.json" not in str(caught.value)
    assert "leave this file out" in str(caught.value)
    with pytest.raises(UsageError, match="the other files are of others") as caught:
        merged_of(tmp_path, two[0], other)
    assert "0.json" in str(caught.value)
    assert "1.json" in str(caught.value)


def test_other_versions_of_an_excerpt_are_refused(tmp_path: Path) -> None:
    """One page shows everybody the same."""
    with pytest.raises(UsageError, match='has other versions of "verse", typical'):
        merged_of(
            tmp_path,
            votes("Ada", [judgement({"dry": 1, "warm": 2})]),
            votes("Bo", [judgement({"dry": 1, "wide": 2})]),
        )


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    """Not one after the other; the good file is not merged alone."""
    good = saved(tmp_path, "good.json", votes("Ada", [judgement({"dry": 1, "warm": 2})]))
    broken = tmp_path / "broken\x1b[2J.json"
    broken.write_text("{", encoding="utf-8")
    with pytest.raises(UsageError, match="is damaged") as caught:
        merge_votes([good, broken, tmp_path / "absent.json"])
    told = str(caught.value)
    assert "broken\\x1b[2J.json\n  is damaged: line 1 is not JSON\n  save the votes again" in told
    assert "absent.json\n  is not a file" in told
    assert "\x1b" not in told


def test_folders_and_patterns(tmp_path: Path) -> None:
    """A folder stands for its files, a pattern for what a shell would have put there; nothing at all is refused."""
    for place, name in enumerate(("Ada", "Bo")):
        saved(tmp_path, f"{place}.json", votes(name, [judgement({"dry": 1, "warm": 2})]))
    assert merge_votes([tmp_path]).listeners == merge_votes([tmp_path / "*.json"]).listeners == ("Ada", "Bo")
    (tmp_path / "empty").mkdir()
    with pytest.raises(UsageError, match="no votes"):
        merge_votes([tmp_path / "empty"])
    with pytest.raises(UsageError, match="is not a file"):
        merge_votes([tmp_path / "n*.json"])
    with pytest.raises(UsageError, match="no votes to merge"):
        merge_votes([])


def test_hostile_words_are_shown_as_text(tmp_path: Path) -> None:
    """Names and notes with controls, in all places where they may stand; 80 columns whatever they are."""
    evil = "\x1b]0;x\x07\u202e\n<script>\ud800" + "木" * 50
    names = [f"{evil}{letter}" for letter in "ab"]
    note = "n\x1b[2J" + "木" * 100 + "x" * 300
    merged = merged_of(
        tmp_path,
        *(
            votes(
                f"{listener}\x1b{'木' * 30}",
                [
                    judgement(dict(zip(names, (10 + place, 90), strict=True)), take=evil, note=note),
                    judgement(ranks=dict(zip(names, (2, 1), strict=True)), excerpt="loudest"),
                ],
                [run(15, 16, pair=names, take=evil, shift=place)],
            )
            for place, listener in enumerate("AB")
        ),
    )
    text = merged_text(merged)
    assert all(letter == "\n" or letter.isprintable() for letter in text)
    assert max(map(cells, text.split("\n"))) <= 80
    assert "<script>" in text
    json.dumps(merged.as_dict()).encode("ascii")


def test_numbers_line_up(tmp_path: Path) -> None:
    """Figures of a column end in the same place, whatever letters stand before them."""
    lines = table([("version", "mean"), ("木造", "70.0"), ("e\u0301te\u0301", "5.5"), ("heading", "")])
    assert [cells(line) for line in lines[:3]] == [13, 13, 13]
    assert lines[3] == "heading"


def test_folding() -> None:
    """At spaces, else at seams, else anywhere; a number keeps its per cent; nothing is lost."""
    assert folded("warm over dry", width=10) == ["warm over", "  dry"]
    assert folded("boat_house_by_lake", width=14) == ["boat_house_", "  by_lake"]
    assert folded("x" * 20, width=10) == ["xxxxxxxx", "  xxxxxxxx", "  xxxx"]
    assert folded("chance is 5 %", width=11) == ["chance is", "  5 %"]
    assert folded("  木木木木木", width=8) == ["  木木", "    木木", "    木"]
    assert folded("") == [""]


def test_notes_stand_under_their_take_with_the_letters_that_were_heard(tmp_path: Path) -> None:
    """Takes and excerpts in the page's order, as a file tells it; else as a page has them by rule."""
    places = [("take 10", "whole"), ("take 2", "loudest"), ("take 2", "typical")]
    judged = [
        judgement({"dry": 1, "warm": 2}, take=take, excerpt=part, note="A fine") for take, part in places
    ]
    judged[0]["order"] = ["dry", "warm"]
    by_rule = merged_of(tmp_path, votes("Ada", judged))
    assert [(note.take, note.excerpt) for note in by_rule.notes] == places[::-1]
    assert [note.order for note in by_rule.notes] == [("warm", "dry"), ("warm", "dry"), ("dry", "warm")]
    lines = merged_text(by_rule).splitlines()
    assert lines[lines.index("Notes") + 1 :] == [
        "  take 2",
        "    typical, Ada: A fine",
        "      there A = warm, B = dry",
        "    loudest, Ada: A fine",
        "      there A = warm, B = dry",
        "  take 10",
        "    whole, Ada: A fine",
        "      there A = dry, B = warm",
    ]
    takes = [
        {"name": "take 10", "excerpts": ["whole"]},
        {"name": "take 2", "excerpts": ["loudest", "typical"]},
    ]
    told = merged_of(tmp_path, votes("Ada", judged, shown={"takes": takes}), votes("Bo", judged[:1]))
    assert [(note.take, note.excerpt, note.listener) for note in told.notes] == [
        ("take 10", "whole", "Ada"),
        ("take 10", "whole", "Bo"),
        ("take 2", "loudest", "Ada"),
        ("take 2", "typical", "Ada"),
    ]


def test_versions_have_the_pages_numbers_and_titles(tmp_path: Path) -> None:
    """Where a file tells them: titles once, numbers and names in the tables; a minus that every console has."""
    quieter = "mic gain \N{MINUS SIGN}12 dB"
    versions = [{"name": "dry", "title": "As it came"}, {"name": quieter, "title": quieter}]
    judged = judgement({"dry": 10, quieter: 70}, note="B")
    both = [judged], [run(13, 16, pair=("dry", quieter))]
    merged = merged_of(
        tmp_path, votes("Ada", *both), votes("Bo", *both, shown={"versions": versions, "takes": []})
    )
    text = merged_text(merged)
    assert "Versions, by their numbers on the page\n  1 dry: As it came\n  2 mic gain -12 dB\n\n" in text
    assert re.search(r"^2 mic gain -12 dB +2 +2 +70.0 ", text, re.MULTILINE)
    assert re.search(r"^2 mic gain -12 dB over 1 +2 +60.0 .*\n  dry$", text, re.MULTILINE)
    assert "1 dry / 2 mic gain -12 dB, stereo: 26 of 32 right" in flat(text)
    assert "there A = 2 mic gain -12 dB, B = 1 dry" in text
    assert merged.as_dict()["titles"] == {"dry": "As it came", quieter: quieter}


def test_printing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The table, or one JSON object with every take by itself."""
    paths = []
    for name, warm in (("Ada", 70), ("Bo", 90)):
        judged = judgement({"dry": 10, "warm": warm}, note="more air")
        paths.append(saved(tmp_path, f"{name}.json", votes(name, [judged], [run(13, 16)])))
    assert run_merge(paths, as_json=False) == 0
    text = capsys.readouterr().out
    assert text.startswith("2 listeners: Ada, Bo\n2 judgements, 2 runs of telling apart\n")
    assert "  verse\n    typical, Ada: more air\n      there A = warm, B = dry\n" in text
    assert run_merge(paths, as_json=True) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["takes"]["verse"]["rated"][0] == {
        "version": "warm", "judgements": 2, "listeners": 2, "mean": 80.0,
        "interval": {"low": 0.0, "high": 100.0},
    }  # fmt: skip
    assert found["counts"]["heard"][0]["together"]["hits"] == 26


def test_an_interval_holds_the_truth_as_often_as_it_says(tmp_path: Path) -> None:
    """Seeded listeners of a known mean difference: 95 % of tables have it inside, from file to figure."""
    generator = np.random.default_rng(95)
    inside, tables = 0, 120
    for _ in range(tables):
        contents = []
        for listener in range(4):
            base, own = generator.uniform(30, 60), generator.normal(8.0, 6.0)
            judged = []
            for take in ("a", "b"):
                dry, warm = (
                    np.round(base + generator.normal(0, 2)),
                    np.round(base + own + generator.normal(0, 2)),
                )
                judged.append(judgement({"dry": float(dry), "warm": float(warm)}, take=take))
            contents.append(votes(f"L{listener}", judged))
        (pair,) = merged_of(tmp_path, *contents).counts.pairs_rated
        sign = 1.0 if pair.higher == "warm" else -1.0
        inside += pair.difference.interval.low <= sign * 8.0 <= pair.difference.interval.high
    assert inside >= 0.95 * tables - 3.0 * math.sqrt(0.95 * 0.05 * tables)
