"""Remedies, and their price in codes against numbers from outside the project."""

from __future__ import annotations

import pytest
from survey_pictures import FULL, NARROW, SILENT, info_of

from footroom.host_adapter.headless.finding import Finding
from footroom.host_adapter.headless.media import Tag
from footroom.host_adapter.headless.remedy import channel_price, choose, price
from footroom.kernels.encoding import Channel, Encoding, Model, Range


def found(codes: Range | None, leaning: float = 0.5) -> Finding:
    return Finding(codes, 0.99 if codes is not None else 0.0, ["because"], None, leaning, ())


@pytest.mark.parametrize(("depth", "merged", "chroma"), [(8, 36, 31), (10, 147, 127), (12, 591, 511)])
def test_full_to_narrow_merges_what_the_arithmetic_says(depth, merged, chroma):
    """Computed from BT.2100-3 table 9 with exact rationals, halves away from zero: 220, 877, 3505 codes are left."""
    cost = price(Encoding(depth, Range.FULL), Encoding(depth, Range.NARROW))
    assert (cost["merged"], cost["missing"], cost["clipped_low"], cost["clipped_high"]) == (merged, 0, 0, 0)
    assert cost["chroma"]["merged"] == chroma
    assert cost["reversible"] is False


@pytest.mark.parametrize(
    ("depth", "missing", "chroma", "low", "high"),
    [(8, 36, 31, 16, 20), (10, 147, 127, 64, 83), (12, 591, 511, 256, 335)],
)
def test_narrow_to_full_leaves_gaps_and_clips_the_excursions(depth, missing, chroma, low, high):
    """Same source: codes never produced, and codes past the ends (full data expanded as if narrow)."""
    cost = price(Encoding(depth, Range.NARROW), Encoding(depth, Range.FULL))
    assert (cost["missing"], cost["merged"], cost["clipped_low"], cost["clipped_high"]) == (missing, 0, low, high)
    assert cost["chroma"]["missing"] == chroma
    assert cost["reversible"] is False  # the excursions are gone


@pytest.mark.parametrize("depth", [8, 10, 12, 14])
def test_two_more_bits_make_it_reversible(depth):
    """Full n -> narrow m > n -> full n is exact (exact rationals; every pair out of 8, 10, 12, 16)."""
    cost = price(Encoding(depth, Range.FULL), Encoding(depth + 2, Range.NARROW))
    assert cost["reversible"] is True
    assert (cost["merged"], cost["missing"], cost["clipped_low"], cost["clipped_high"]) == (0, 0, 0, 0)
    assert cost["chroma"]["reversible"] is True


def test_chroma_of_rgb_is_not_priced():
    assert "chroma" not in price(Encoding(10, Range.FULL, Model.RGB), Encoding(10, Range.NARROW, Model.RGB))
    assert (
        channel_price(Encoding(8, Range.FULL, Model.GRAY), Encoding(8, Range.NARROW, Model.GRAY), Channel.LUMA)[
            "merged"
        ]
        == 36
    )


def test_a_wrong_flag_that_the_file_can_say_is_retagged():
    for tag, codes in ((NARROW, Range.FULL), (FULL, Range.NARROW), (Tag(None, None, True), Range.FULL)):
        remedy = choose(info_of(tag=tag), found(codes), tag.trusted, None)
        assert remedy.name == "retag"
        assert remedy.proposal == {"from": codes.label, "to": codes.label}
        assert remedy.price["merged"] == remedy.price["clipped_high"] == 0
        assert {"retag", "lift", "rescale"} == set(remedy.alternatives)


def test_full_codes_in_a_file_without_a_flag_are_lifted():
    remedy = choose(info_of(tag=SILENT, codec="prores"), found(Range.FULL), Range.NARROW, "log")
    assert remedy.name == "lift"
    assert remedy.proposal == {"from": "full", "to": "narrow", "depth": 12}
    assert remedy.price["reversible"] is True
    assert remedy.alternatives["rescale"]["merged"] == 147  # check of full -> narrow at 10 bit, above
    assert "retag" not in remedy.alternatives
    assert "prores in mov" in remedy.why[0]


def test_sixteen_bits_cannot_be_lifted():
    remedy = choose(info_of(16, SILENT), found(Range.FULL), Range.NARROW, None)
    assert remedy.name == "rescale"
    assert remedy.price["depth"] == 16


@pytest.mark.parametrize("profile", ["display", "hlg", "pq"])
def test_a_finished_picture_is_not_scaled_on_a_guess(profile):
    remedy = choose(info_of(tag=SILENT), found(Range.FULL), Range.NARROW, profile)
    assert remedy.name == "ask"
    assert "guess" in remedy.why[0]
    assert choose(info_of(tag=NARROW), found(Range.FULL), Range.NARROW, profile).name == "retag"


def test_what_is_right_or_open_is_left_alone():
    assert choose(info_of(), found(Range.NARROW), Range.NARROW, None).name == "none"
    assert choose(info_of(), found(None, leaning=0.5), Range.NARROW, None).name == "none"


def test_an_open_one_that_leans_against_its_flag_is_put_to_the_person():
    asked = choose(info_of(), found(None, leaning=0.8), Range.NARROW, None)
    assert asked.name == "ask"
    assert set(asked.alternatives) == {"retag", "lift", "rescale"}
    assert choose(info_of(tag=FULL), found(None, leaning=0.8), Range.FULL, None).name == "none"


def test_flags_that_contradict_each_other_are_made_to_agree_or_asked_about():
    info = info_of(tag=Tag(Range.NARROW, Range.FULL, True))
    assert choose(info, found(Range.FULL), Range.FULL, None).name == "retag"
    assert choose(info, found(None), Range.FULL, None).name == "ask"
