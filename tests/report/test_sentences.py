"""Every sentence of a report that holds a number: the number is read back from the dataset."""

import re
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from committee_case import DATE, PLAIN, RULED, SINGLE, check_of
from ebbmap.committee import boxes, certificates
from ebbmap.digits import share_text
from ebbmap.report import build, pictures, sentences
from ebbmap.tables.committee.check import check_tables
from report.test_tables_by_value import Tables, page_of

drafts = pytest.mark.parametrize("text", [RULED, PLAIN, SINGLE], ids=["ruled", "plain", "one"])

ALL = ("normal", "obstructive", "all")


@lru_cache
def pictures_of(text):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pictures, "DPI", 30)
        return pictures.pictures_of(check_of(text), check_tables(check_of(text)))


def percent(value):
    return f"{100 * float(value):.0f}"


@drafts
def test_the_lead_says_the_grade_the_safe_share_and_what_is_wanted(text):
    check = check_of(text)
    ds = check.results["verdict"]
    told = sentences.lead(check)
    assert told.startswith("The draft does not hold. ")
    said = re.findall(r"(\w+) (\w+), (\d+) % safe of (\d+) % wanted", told)
    assert said == [
        (
            g,
            str(ds["grade"].sel(group=g).values),
            percent(ds["safe_share"].sel(group=g)),
            percent(ds["wanted_share"].sel(group=g)),
        )
        for g in ALL
    ]
    # the fixture can tell the share with caution from the share without
    strict = ds["verdict_share"].sel(verdict="safe")
    assert text is RULED or any(
        percent(a) != percent(b) for a, b in zip(strict, ds["safe_share"], strict=True)
    )


def changed(check, **columns):
    from dataclasses import replace

    verdict = check.results["verdict"].copy()
    for name, values in columns.items():
        verdict[name] = ("group", values)
    return replace(check, results={**check.results, "verdict": verdict})


def test_the_lead_says_when_a_draft_holds_and_who_does_not_get_the_mode():
    check = changed(check_of(PLAIN), grade=["safe", "excluded", "caution"])
    told = sentences.lead(check)
    assert told.startswith("The draft holds. normal safe, ")
    assert "obstructive does not get the mode" in told
    text = page_of(check)
    assert "the draft holds</title>" in text
    assert '<p class="lead holds">The draft holds.' in text
    text = page_of(check_of(PLAIN))
    assert "the draft does not hold</title>" in text
    assert '<p class="lead fails">The draft does not hold.' in text


def limited_by(check, *names):
    """The same check with only these limits of the draft's registry."""
    from dataclasses import replace

    from ebbmap.registries.limits import LIMIT_SETS, combine

    limits = combine("some", *(LIMIT_SETS[name] for name in names))
    return replace(check, protocol=replace(check.protocol, limits=limits))


@pytest.mark.parametrize(
    ("names", "absent", "present"),
    [
        (("pressure",), ("pressures",), ("CO2 clearance", "oxygenation", "circulation")),
        (("pressure", "co2"), ("CO2 clearance",), ("oxygenation", "load on the lung")),
        (
            ("co2", "oxygen", "flow_ratio"),
            ("CO2 clearance", "oxygenation"),
            ("pressures", "volume", "a steady state of CO2 and oxygen"),
        ),
    ],
    ids=["pressure", "with co2", "gas exchange"],
)
def test_what_was_not_judged_is_said_on_the_page(names, absent, present):
    told = sentences.unjudged(limited_by(check_of(PLAIN), *names))
    assert told.startswith("Safe means within this draft's own hard limits. Not judged: ")
    assert all(word in told for word in present)
    assert not any(word in told for word in absent)
    # a caution is no verdict
    assert "circulation" in sentences.unjudged(
        limited_by(check_of(PLAIN), "pressure", "circulation")
    )
    own = sentences.unjudged(check_of(PLAIN))
    assert f"<strong>{own.replace(chr(39), '&#39;')}</strong>" in page_of(check_of(PLAIN))


@drafts
def test_what_would_hold_is_said_of_every_group(text):
    check = check_of(text)
    needs = check.results["boxes"]["needs"]
    assert sentences.needs(check) == [f"{g}: {needs.sel(group=g).values}" for g in ALL]


_WAYS = (
    r"(\w+): one T low serves (\d+) %, the time constant (\d+) % without error and (\d+) % with "
    r"(\d+) %(?: \((?:clearly better up to an error of (\d+) %|no gain)\))"
)


@drafts
def test_the_comparison_of_ways_says_the_shares_of_the_two_ways(text):
    check = check_of(text)
    ds = check.results["ways"]
    told = re.findall(_WAYS, sentences.ways_text(check))
    assert [line[0] for line in told] == ["normal", "obstructive"]
    for group, fixed, exact, blurred, error, best in told:
        one = ds.sel(group=group)
        own = one.sel(way="one T low for all, best")
        ruled = one["served_share"].sel(way="T low from the time constant, best multiple")
        assert fixed == percent(own["served_share"].sel(error=0.0))
        assert exact == percent(ruled.sel(error=0.0))
        assert (blurred, error) == (percent(ruled.sel(error=0.3)), "30")
        high = float(own["served_share_interval"].sel(error=0.0, ci_bound="upper"))
        better = [e for e in (0.0, 0.1, 0.2, 0.3) if float(ruled.sel(error=e)) > high]
        assert best == (percent(better[-1]) if better else "")


def test_a_group_without_lungs_is_not_compared():
    from dataclasses import replace

    check = check_of(PLAIN)
    ways = check.results["ways"].copy(deep=True)
    ways["served_share"].loc[{"group": "normal"}] = np.nan
    told = sentences.ways_text(replace(check, results={**check.results, "ways": ways}))
    assert "normal:" not in told
    assert "obstructive:" in told


@drafts
def test_alternative_texts_say_the_numbers_of_their_pictures(text):
    check = check_of(text)
    pictures = pictures_of(text)
    expected = {"verdict", "trade_off", "ways", "served"}
    expected |= {name for name in ("map", "drivers") if name in check.results}
    assert set(pictures) == expected
    assert sentences.lead(check) in pictures["verdict"].text
    for line in sentences.needs(check):
        assert line in pictures["trade_off"].text
    assert sentences.ways_text(check) in pictures["ways"].text
    windows = check.results["windows"]
    said = re.findall(
        r"group (\w+), best T low \[s\] ([\d.]+) \(([\d.]+) to ([\d.]+)\), other lungs it serves "
        r"([\d.]+) % \(([\d.]+) to ([\d.]+)\)",
        pictures["served"].text,
    )
    assert [line[0] for line in said] == list(ALL)
    for group, *numbers in said:
        one = windows.sel(group=group)
        values = [one["best_t_low"], *one["best_t_low_interval"]]
        for number, value in zip(numbers[:3], values, strict=True):
            # three digits
            assert float(number) == pytest.approx(float(value), rel=0.0051, abs=0.0501)
        interval = one["best_served_share_interval"].values
        shares = [float(one["best_served_share"]), *interval]
        for number, value in zip(numbers[3:], shares, strict=True):
            assert f"{number} %" == share_text(value, interval)
    for name, picture in pictures.items():
        assert picture.source.startswith("data:image/png;base64,")
        assert picture.width > 100 and picture.height > 50, name


@pytest.mark.parametrize("text", [RULED, PLAIN], ids=["ruled", "plain"])
def test_the_map_says_its_axes_and_the_largest_share_of_each_group(text):
    check = check_of(text)
    picture = pictures_of(text)["map"]
    share = check.results["map"]["safe_share"]
    said = dict(re.findall(r"(normal|obstructive) (\d+)%", picture.text))
    assert said == {g: percent(share.sel(group=g).max()) for g in ("normal", "obstructive")}
    axes = "T low and P high" if text is PLAIN else "T low in expiratory time constants and P low"
    assert axes in picture.text
    assert axes in picture.caption


def test_what_is_said_of_drivers_hangs_on_whether_there_are_any():
    assert "Sobol indices: shares of the variance" in sentences.drivers_text(check_of(PLAIN))
    assert "this draft gives none" in sentences.drivers_text(check_of(RULED))


def test_the_rule_among_the_limits_is_named():
    from ebbmap.committee.check import Check
    from ebbmap.files.protocol import parse_protocol

    assert "among the limits: own (the committee's own)" in sentences.rule_text(check_of(PLAIN))
    for rules, said in (
        ('rules = ["flow_ratio"]', "flow_ratio: T low by share of peak expiratory flow"),
        ('rules = ["exhaled_fraction"]', "exhaled_fraction: T low by share of a full exhalation"),
        ("rules = []", "No rule for T low"),
    ):
        text = PLAIN.replace('rules = ["own"]', rules).replace(
            'rule = "own"\noutcome = "flow_ratio"\nlow = 0.25\nhigh = 0.75',
            'outcome = "end_release_flow"\nhigh = 2.0',
        )
        assert said in sentences.rule_text(Check(parse_protocol(text), {}))


@drafts
def test_the_methods_say_how_many_lungs_and_settings(text):
    lungs, settings = {RULED: (96, 16), PLAIN: (128, 32), SINGLE: (64, 8)}[text]
    told = sentences.methods_text(check_of(text))
    assert f"Each group is {lungs} invented lungs" in told
    assert f"each lung meets {settings} settings" in told
    assert check_of(text).protocol.lung.long_name in told


def test_a_draft_of_fixed_values_meets_one_setting():
    from ebbmap.committee.check import Check
    from ebbmap.committee.counting import cases_of
    from ebbmap.files.protocol import parse_protocol

    fixed = SINGLE.replace("{ low = 0.25, high = 0.9 }", "0.5")
    protocol = parse_protocol(fixed)
    assert "each lung meets 1 settings" in sentences.methods_text(Check(protocol, {}))
    assert cases_of(protocol) == 2 * 64
    assert cases_of(check_of(SINGLE).protocol) == 2 * 64 * 8
    assert cases_of(check_of(PLAIN).protocol) == 2 * 128 * 32


def test_the_way_of_searching_boxes_is_told_as_it_is():
    from ebbmap.committee.check import Check
    from ebbmap.files.protocol import parse_protocol

    protocol = parse_protocol(SINGLE)
    text = sentences.box_method(Check(protocol, {}))
    settings = certificates.CERTIFICATE_SETTINGS
    assert f"at {settings} fresh settings and all corners" in text
    assert f"at most {len(boxes.EXTRA)} boxes are tried" in text
    searched, fresh = re.findall(r"(\d,\d+) (?:fresh )?lungs", text)
    assert (searched, fresh) == (f"{boxes.SEARCH_LUNGS:,}", f"{certificates.CERTIFICATE_LUNGS:,}")
    assert "Sizes that the protocol states" not in sentences.methods_text(Check(protocol, {}))


def test_sizes_that_were_cut_are_told():
    from ebbmap.committee.check import Check
    from ebbmap.files.protocol import parse_protocol

    sizes = {"search_lungs": 77, "certificate_lungs": 88, "certificate_settings": 9}
    check = Check(replace(parse_protocol(SINGLE), sizes=sizes), {})
    text = sentences.box_method(check)
    assert "compared on 77 lungs" in text
    assert "up to 88 fresh lungs at 9 fresh settings" in text
    assert "fresh lungs that certify a box or a default: 88" in sentences.methods_text(check)


def test_provenance_is_that_of_the_verdict():
    check = check_of(PLAIN)
    told = dict(sentences.provenance_items(check))
    attrs = check.results["verdict"].attrs
    assert told == {
        "made by": attrs["source"],
        "seed": "3",
        "protocol file, hash": check.protocol.digest,
        "versions": attrs["versions"],
        "date": DATE,
    }
    for result in check.results.values():
        assert result.attrs["seed"] == 3
        assert result.attrs["protocol"] == PLAIN
        assert result.attrs["limits"] == check.protocol.limits.long_name


def test_the_page_has_each_part_in_its_place():
    check = check_of(PLAIN)
    text = page_of(check)
    assert "<title>A plain draft: the draft does not hold</title>" in text
    assert f"Nowhere Hospital (invented) · {DATE}" in text
    assert "<p>Does it hold?</p>" in text
    for name, head in build.SECTIONS:
        assert f'<h2 id="{name}"' in text and head in text
    unasked = page_of(check_of(RULED))
    assert "<p>For whom is this draft safe, and where does it fail?</p>" in unasked
    grades = Tables(text).tables["verdict"]
    for row in grades[1:]:
        word = row[1].split()[-1]
        kind = "caution-grade" if word == "caution" else word
        assert f'<td class="grade {kind}">{row[1]}</td>' in text


def test_the_map_frames_the_ranges_of_the_draft(monkeypatch):
    framed = []
    real = pictures.map_figure

    def watched(ds, ranges):
        framed.append((tuple(ds["safe_share"].dims[1:]), ranges))
        return real(ds, ranges)

    monkeypatch.setattr(pictures, "map_figure", watched)
    monkeypatch.setattr(pictures, "DPI", 30)
    pictures.pictures_of(check_of(PLAIN), check_tables(check_of(PLAIN)))
    ((dims, ranges),) = framed
    assert set(dims) == set(ranges)
    assert ranges == {"p_high": (16.0, 20.0), "t_low": (0.35, 0.45)}


@drafts
def test_every_picture_is_a_drawing_of_the_size_that_the_page_gives_it(text):
    import base64
    import io

    from PIL import Image

    for name, picture in pictures_of(text).items():
        data = base64.b64decode(picture.source.removeprefix("data:image/png;base64,"))
        image = Image.open(io.BytesIO(data))
        # a side may be cut to whole pixels
        assert image.size == pytest.approx((picture.width, picture.height), abs=1), name
        assert image.format == "PNG"
        # something is drawn on it
        assert len(image.convert("RGB").getcolors(maxcolors=2**24)) > 10, name
