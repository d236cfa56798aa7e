"""Every sentence of a report that holds a number: the number is read back from the dataset."""

import re
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from committee_case import DATE, PLAIN, RULED, SINGLE, check_of
from ebbmap.committee import boxes, certificates, needs
from ebbmap.digits import share_text
from ebbmap.report import advice, build, persons, pictures, sentences
from ebbmap.tables.committee.check import check_tables
from reading import grade
from report.test_tables_by_value import Tables, page_of

drafts = pytest.mark.parametrize("text", [RULED, PLAIN, SINGLE], ids=["ruled", "plain", "one"])

GROUPS = ("normal", "obstructive")
ALL = (*GROUPS, "all")


@lru_cache
def pictures_of(text):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pictures, "DPI", 30)
        return pictures.pictures_of(check_of(text), check_tables(check_of(text)))


def percent(value):
    return f"{100 * float(value):.0f}"


def hundred_by_hand(shares):
    """Whole numbers that add up to 100, the largest rests rounded up."""
    rest = sorted(range(4), key=lambda i: -(100 * shares[i] % 1))
    whole = [int(100 * share) for share in shares]
    for place in rest[: 100 - sum(whole)]:
        whole[place] += 1
    return whole


@drafts
def test_the_lead_counts_the_persons_of_all_groups(text):
    check = check_of(text)
    ds = check.results["patients"].sel(group="all")
    told = sentences.lead(check)
    assert told.startswith("The draft does not hold. Of 100 patients like these, ")
    shares = [float(ds[f"{kind}_share"]) for kind in ("always", "set_well", "never", "open")]
    said = re.findall(r"(fewer than 1|\d+) (?:are safe|more if|never)", told)
    expected = hundred_by_hand(shares)
    for number, count, share in zip(said, expected[:3], shares[:3], strict=True):
        assert number == ("fewer than 1" if count == 0 and share > 0 else str(count))


@drafts
def test_persons_of_every_group_add_up_to_a_hundred(text):
    check = check_of(text)
    lines = persons.persons(check)
    assert len(lines) == 3
    assert all(name in line for name, line in zip(GROUPS, lines[1:], strict=True))
    for name, *numbers, out in persons.rows_of_hundred(check):
        ds = check.results["patients"].sel(group=name)
        shares = [float(ds[f"{kind}_share"]) for kind in ("always", "set_well", "never", "open")]
        assert sum(hundred_by_hand(shares)) == 100
        expected = [
            "<1" if count == 0 and share > 0 else str(count)
            for count, share in zip(hundred_by_hand(shares), shares, strict=True)
        ]
        assert numbers == expected[:3]
        assert out == percent(ds["excluded_share"])


@drafts
def test_the_shares_of_combinations_say_the_grade_and_what_is_wanted(text):
    check = check_of(text)
    ds = check.results["verdict"]
    told = sentences.shares_text(check)
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
    verdict = check.results["verdict"].copy()
    for name, values in columns.items():
        verdict[name] = ("group", values)
    return replace(check, results={**check.results, "verdict": verdict})


def test_the_lead_says_when_a_draft_holds_and_for_whom():
    check = changed(check_of(PLAIN), grade=["safe", "excluded", "caution"])
    assert sentences.lead(check).startswith("The draft holds. Of 100 ")
    assert persons.for_whom(check) == "It holds for normal; it is not given to obstructive."
    assert "obstructive does not get the mode" in sentences.shares_text(check)
    text = page_of(check)
    assert "the draft holds</title>" in text
    assert '<p class="lead holds">The draft holds.' in text
    text = page_of(check_of(PLAIN))
    assert "the draft does not hold</title>" in text
    assert '<p class="lead fails">The draft does not hold.' in text
    open_to = changed(check_of(PLAIN), grade=["undetermined", "unsafe", "unsafe"])
    assert persons.for_whom(open_to) == "It does not hold for obstructive; it is open for normal."


@drafts
def test_who_is_left_out_is_said_with_the_number(text):
    check = check_of(text)
    ds = check.results["patients"]["excluded_share"]
    told = persons.left_out(check)
    if text is RULED:
        for name in GROUPS:
            assert f"{percent(ds.sel(group=name))} of 100 {name}" in told
    else:
        assert told == "nobody; every patient gets the mode."


@drafts
def test_why_it_fails_names_the_harm_and_the_rule_broken_most_often(text):
    check = check_of(text)
    ds, limits = check.results["broken"], check.protocol.limits.hard
    lines = persons.why_not(check)
    assert [line.split(":")[0] for line in lines] == list(GROUPS)
    for name, line in zip(GROUPS, lines, strict=True):
        own = ds["any_share"].sel(group=name)
        for ruled in (False, True):
            kind = [b for b in limits if (b.outcome == "flow_ratio") == ruled]
            most = max(kind, key=lambda b: float(own.sel(bound=b.name)))
            share = float(own.sel(bound=most.name))
            if share < 0.001:
                assert most.sentence not in line
                continue
            said = percent(share) if share >= 0.005 else "<1"
            assert f"{most.sentence} ({said} %)" in line
            assert f"rule broken: {most.sentence}" in line or not ruled


@drafts
def test_who_is_never_safe_is_told_by_a_measurement(text):
    check = check_of(text)
    ds = check.results["patients"]
    told = persons.recognise(check)
    named = [g for g in GROUPS if str(ds["criterion_property"].sel(group=g).values)]
    assert [line.split(":")[0] for line in told] == named
    for name, line in zip(named, told, strict=True):
        one = ds.sel(group=name)
        hit, wrong = map(int, re.findall(r"to (\d+) of 100", line))
        assert hit == round(100 * float(one["sensitivity"]))
        assert wrong == 100 - round(100 * float(one["specificity"]))
        assert f"{float(one['criterion_threshold']):g}" in line


def limited_by(check, *names):
    """The same check with only these limits of the draft's registry."""
    from dataclasses import replace

    from ebbmap.registries.limits import LIMIT_SETS, combine

    limits = combine("some", *(LIMIT_SETS[name] for name in names))
    return replace(check, protocol=replace(check.protocol, limits=limits))


@pytest.mark.parametrize(
    ("names", "absent", "present"),
    [
        (("pressure",), ("pressures",), ("CO₂ clearance", "oxygenation", "circulation")),
        (("pressure", "co2"), ("CO₂ clearance",), ("oxygenation", "load on the lung")),
        (
            ("co2", "oxygen", "flow_ratio"),
            # pH and oxygen run away without a steady state, so their limits judge that too
            ("CO₂ clearance", "oxygenation", "a steady state of CO₂ and oxygen"),
            ("pressures", "volume"),
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
    assert f"<p>{own.replace(chr(39), '&#39;')}</p>" in page_of(check_of(PLAIN))


def needed(check, **groups):
    """The same check with other words for what groups need, and all of them unsafe."""
    boxes = check.results["boxes"].copy(deep=True)
    boxes["needs"] = ("group", [groups.get(name, groups["every"]) for name in ALL])
    boxes["default_share"][:] = np.nan
    found = replace(check, results={**check.results, "boxes": boxes})
    return changed(found, grade=["unsafe"] * 3)


def test_advice_knows_what_the_draft_does_already():
    bare = advice.short_advice(needed(check_of(PLAIN), every=needs.RULE))
    assert bare == [
        "Normal and obstructive: no range holds, though enough patients have a safe setting of "
        "their own. P high or T low would have to follow the lung by a rule."
    ]
    (ruled,) = advice.short_advice(needed(check_of(RULED), every=needs.RULE))
    assert "P high and T low follow the lung by a rule already" in ruled
    assert "Left to narrow: P low, T low in expiratory time constants" in ruled
    assert "would have to" not in ruled


def test_advice_to_exclude_knows_of_an_exclusion_and_names_the_measurement():
    for text, more in ((PLAIN, "an exclusion"), (RULED, "a further exclusion")):
        lines = advice.advice(needed(check_of(text), every=needs.EXCLUSION))
        ds = check_of(text).results["patients"]
        for name in GROUPS:
            assert more.removeprefix("an ").removeprefix("a ") in lines[name]
            measured = str(ds["criterion_property"].sel(group=name).values)
            assert ("best single measurement" in lines[name]) == bool(measured)


@drafts
def test_advice_reads_the_certificates_of_ranges_and_of_single_combinations(text):
    check = check_of(text)
    ds = check.results["boxes"]
    for name, line in advice.advice(check).items():
        one = ds.sel(group=name)
        shares = one["default_share"].fillna(0.0)
        best = str(shares["scope"].values[int(shares.values.argmax())])
        own = float(check.results["verdict"]["safe_share"].sel(group=name))
        held = str(check.results["verdict"]["grade"].sel(group=name).values) in ("safe", "caution")
        told = "Best single combination found" in line
        assert told == (float(shares.max()) >= own + 0.05 and not held)
        if told:
            here = one.sel(scope=best)
            interval = here["default_share_interval"].values
            assert f"safe for {share_text(float(shares.max()), interval)} of fresh lungs" in line
            for parameter in check.protocol.draft.free:
                value = float(here["default"].sel(parameter=parameter))
                assert f"{value:g}" in line


def test_a_certified_range_is_told_in_steps_of_the_bedside():
    check = check_of(SINGLE)
    boxes = check.results["boxes"].copy(deep=True)
    boxes["needs"] = ("group", [needs.HOLDS] * 3)
    boxes["box_verdict"][:] = "safe"
    boxes["box"][:] = 18.0
    boxes["box"].loc[{"parameter": "t_low"}] = [0.392, 0.513]
    boxes["certified_share"][:] = 0.83
    boxes["certified_share_interval"][:] = [0.79, 0.87]
    found = changed(replace(check, results={**check.results, "boxes": boxes}), grade=["unsafe"] * 3)
    told = advice.short_advice(found)
    assert told == [
        "Normal and obstructive: a narrower draft holds: T low 0.4 to 0.5 s (every combination "
        "safe for 83 % of fresh lungs)."
    ]


def test_a_draft_that_holds_is_not_told_to_change():
    check = changed(check_of(PLAIN), grade=["caution", "safe", "safe"])
    assert all("holds as it is" in line for line in advice.advice(check).values())


def test_a_mixture_that_holds_names_the_group_for_whom_the_draft_does_not():
    check = changed(check_of(PLAIN), grade=["unsafe", "safe", "safe"])
    *_, last = advice.advice_lines(check)
    said = "all together: holds for all groups mixed, which hides for whom it does not: normal"
    assert last.startswith(said)


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
    for line in advice.advice_lines(check):
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
    said = dict(re.findall(r"(normal|obstructive) (\d+) %", picture.text))
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
    assert f"Each lung meets {settings} settings" in told
    assert check_of(text).protocol.lung.long_name in told


def test_a_draft_of_fixed_values_meets_one_setting():
    from ebbmap.committee.check import Check
    from ebbmap.committee.counting import cases_of
    from ebbmap.files.protocol import parse_protocol

    fixed = SINGLE.replace("{ low = 0.25, high = 0.9 }", "0.5")
    protocol = parse_protocol(fixed)
    assert "Each lung meets 1 setting," in sentences.methods_text(Check(protocol, {}))
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
        if name == "beside-section":  # nothing was put beside this draft
            assert name not in text
            continue
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


def test_the_grade_of_reading_is_that_of_the_formula():
    # two sentences of six words of one syllable, the trade term and the number among them
    assert grade(["The cat sat on the mat. Its compliance is 30 at the least."]) == pytest.approx(
        0.39 * 6.5 + 11.8 - 15.59
    )
    # one word of two syllables, which no glossary explains
    assert grade(["Patient."]) == pytest.approx(0.39 + 2 * 11.8 - 15.59)


@drafts
def test_a_report_can_be_read_at_its_stated_level(text):
    """Sixth grade for the first page, tenth for the methods; trade terms are excused."""
    check = check_of(text)
    first = [
        sentences.lead(check),
        persons.for_whom(check),
        *persons.persons(check),
        *persons.why_not(check),
        *persons.recognise(check),
        *advice.advice(check).values(),
        f"Left out: {persons.left_out(check)}",
        sentences.unjudged(check),
    ]
    methods = [
        sentences.methods_text(check),
        sentences.box_method(check),
        sentences.ways_text(check),
        sentences.drivers_text(check),
        sentences.rule_text(check),
        *sentences.GRADES.splitlines(),
    ]
    assert grade(first) <= 6.0
    assert grade(methods) <= 10.0
    for each in (*first, *methods):
        assert grade([each]) <= 13.0, each
