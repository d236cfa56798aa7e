"""Files as people leave them: read in bounded time and memory, or refused with a sentence."""

import os
import tracemalloc

import pytest
from typer.testing import CliRunner

from ebbmap.cli import app
from ebbmap.errors import StudyError
from ebbmap.files.common import reading
from ebbmap.files.common.reading import DEEPEST, LARGEST, MOST_ENTRIES, MOST_NUMBERS
from ebbmap.files.protocol import load_protocol
from ebbmap.files.protocol.load import parse_protocol
from ebbmap.files.study import load_study, parse_study
from hostile_files import few_calls

VALID = 'title = "größer"\nlung = "linear"\n[analyses.window]\n'

#: Bytes that reading a refused file may take at most: a few times the largest text.
REFUSING_BYTES = 200e6

LOADERS = pytest.mark.parametrize("load", [load_study, load_protocol])
PARSERS = pytest.mark.parametrize("parse", [parse_study, parse_protocol])


def problem(load, path):
    with pytest.raises(StudyError) as error:
        load(path)
    assert len(str(error.value)) < 20_000
    return "\n".join(error.value.problems)


def test_a_byte_order_mark_is_no_part_of_the_text(tmp_path):
    for name, encoding in (("plain", "utf-8"), ("marked", "utf-8-sig")):
        (tmp_path / name).write_text(VALID, encoding=encoding)
    plain, marked = load_study(tmp_path / "plain"), load_study(tmp_path / "marked")
    assert marked.file.title == "größer"
    assert marked.digest == plain.digest


@LOADERS
def test_a_pipe_without_a_writer_is_not_waited_for(tmp_path, load):
    os.mkfifo(tmp_path / "pipe")
    assert "it is a pipe, not a regular file" in problem(load, tmp_path / "pipe")


@LOADERS
@pytest.mark.parametrize("path", ["/dev/zero", "/dev/random"])
def test_a_device_is_not_read(load, path):
    assert "it is a device, not a regular file" in problem(load, path)


@LOADERS
def test_a_folder_is_named_as_one(tmp_path, load):
    assert "it is a folder, not a regular file" in problem(load, tmp_path)


@LOADERS
def test_a_huge_file_is_refused_unread(tmp_path, load):
    with open(tmp_path / "huge.toml", "wb") as file:
        file.truncate(10**9)
    tracemalloc.start()
    text = problem(load, tmp_path / "huge.toml")
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert f"must have at most {LARGEST:,} bytes; got 1,000,000,000" in text
    assert peak < LARGEST


@LOADERS
def test_a_file_that_says_that_it_is_empty_is_read_up_to_the_limit(load):
    # files of /proc have size 0 and content; this one has an end
    assert "line 1: has a colon after processor" in problem(load, "/proc/cpuinfo")


@PARSERS
def test_the_largest_text_is_a_limit_for_texts_too(parse):
    with pytest.raises(StudyError, match=f"at most {LARGEST:,} characters"):
        parse("#" * (LARGEST + 1))


@PARSERS
@pytest.mark.parametrize("join", [".", " . ", '."a".'], ids=["bare", "spaced", "quoted"])
@pytest.mark.parametrize("form", ["{} = 1", "[{}]", "[[{}]]", "a = {{ {} = 1 }}"])
def test_a_key_of_many_parts_is_refused_before_it_is_parsed(parse, join, form):
    text = "# first line\n" + form.format(join.join(["a"] * 50_000))
    with few_calls(10_000), pytest.raises(StudyError) as error:
        parse(text)
    assert error.value.problems == (
        f"a key must have fewer than {DEEPEST} parts (line 2). Tables go four deep.",
    )


def test_points_in_texts_and_numbers_are_no_keys():
    text = 'title = "a study ... of 1.5 to 2.5 etc."\nlung = "linear"\n' + "axes.t_low = ["
    text += ", ".join(f"{0.3 + n / 1000:.3f}" for n in range(1000)) + "]\n[analyses.sweep]\n"
    assert len(parse_study(text).axes["t_low"]) == 1000


def crowd(unit, count):
    return "\n".join(unit.format(n) for n in range(count))


CROWDS = {
    "keys": ("k{} = 1", "file: must have at most {:,} keys; got {:,}."),
    "tables": ("[k{}]", "file: must have at most {:,} keys; got {:,}."),
    "fixed": ("fixed.k{} = 1", "fixed: must have at most {:,} keys; got {:,}."),
    "populations": ("[population.k{}]", "population: must have at most {:,} keys; got {:,}."),
    "maps": ("[[analyses.map]]", "analyses.map: must have at most {:,} entries; got {:,}."),
    "groups": ("[[groups]]", "groups: must have at most {:,} entries; got {:,}."),
    "own limits": ("[[limits.own]]", "limits.own: must have at most {:,} entries; got {:,}."),
}


@PARSERS
@pytest.mark.parametrize("kind", CROWDS)
def test_twenty_thousand_of_anything_are_one_sentence(parse, kind):
    unit, sentence = CROWDS[kind]
    text = 'title = "t"\nlung = "linear"\n' + crowd(unit, 20_000)
    with pytest.raises(StudyError) as error:
        parse(text)
    count = 20_002 if sentence.startswith("file") else 20_000
    assert error.value.problems == (sentence.format(MOST_ENTRIES, count),)


def test_a_list_of_numbers_may_be_as_long_as_an_axis():
    values = ", ".join(f"{1 + n / 1000}" for n in range(MOST_NUMBERS))
    study = 'title = "t"\nlung = "linear"\naxes.t_low = [{}]\n[analyses.sweep]'
    assert len(parse_study(study.format(values)).axes["t_low"]) == MOST_NUMBERS
    with pytest.raises(StudyError, match=r"axes\.t_low: must have at most 10,000 entries"):
        parse_study(study.format(values + ", 30.0"))


@PARSERS
def test_known_names_are_listed_once_for_a_table(parse):
    with pytest.raises(StudyError) as error:
        parse('title = "t"\nlung = "linear"\n' + crowd("unheard_of_{} = 1", 200))
    problems = error.value.problems
    unknown = [one for one in problems if "unknown key 'unheard_of" in one]
    assert len([one for one in unknown if "Known:" in one]) == 1
    assert any(one.endswith("more problems of this kind are not listed.") for one in problems)
    assert len(str(error.value)) < 20_000


@PARSERS
@pytest.mark.parametrize(
    "place",
    [
        "title",
        "seed",
        "lungs",
        "fixed.t_low",
        "axes.p_high",
        "wanted",
        "populations",
        "settings.t_high",
        "analyses.window.along",
    ],
)
def test_an_integer_of_a_hundred_thousand_digits_is_a_sentence(parse, place):
    for value in ("0x" + "f" * 100_000, "[0x" + "f" * 100_000 + "]", "-1" + "0" * 100_000):
        with pytest.raises(StudyError) as error:
            parse(f"{place} = {value}\n")
        assert len(str(error.value)) < 20_000


@PARSERS
def test_a_name_of_many_letters_is_shortened(parse):
    with pytest.raises(StudyError) as error:
        parse(f'title = "t"\nlung = "linear"\n{"k" * 100_000} = 1\n')
    assert len(str(error.value)) < 2000


def test_the_command_line_says_it_with_status_2(tmp_path):
    os.mkfifo(tmp_path / "pipe.toml")
    for command in ("run", "check"):
        done = CliRunner().invoke(app, [command, str(tmp_path / "pipe.toml")])
        assert done.exit_code == 2
        assert "it is a pipe, not a regular file" in done.stderr


@PARSERS
@pytest.mark.parametrize("beyond", [0, 1, 1234])
def test_findings_that_are_not_listed_are_counted(parse, beyond, monkeypatch):
    from ebbmap.analyses.findings import LISTED

    monkeypatch.setattr(reading, "MOST_ENTRIES", 10_000)
    with pytest.raises(StudyError) as error:
        parse(f"{crowd('k{} = 1', LISTED + beyond)}\n{VALID}")
    told = [one for one in error.value.problems if "not listed" in one]
    extra = "file: {:,} more problems of this kind are not listed."
    # a protocol lacks settings, groups and limits, and has no analyses
    more = beyond + (0 if parse is parse_study else len(missing(parse)))
    assert told == ([extra.format(more)] if more else [])


def missing(parse):
    """Return the problems that the valid study has for a parser of something else."""
    with pytest.raises(StudyError) as error:
        parse(VALID)
    return error.value.problems


@PARSERS
def test_lists_of_words_are_short_though_a_number_stands_among_them(parse):
    words = ", ".join(['"a"'] * MOST_ENTRIES)
    with pytest.raises(StudyError) as error:
        parse(f"populations = [{words}, 1.5]\n")
    assert error.value.problems == (
        f"populations: must have at most {MOST_ENTRIES} entries; got {MOST_ENTRIES + 1}.",
    )


@PARSERS
@pytest.mark.parametrize("length", [1, 200, 201])
def test_a_reason_is_given_whole_up_to_its_longest(parse, length, monkeypatch):
    def refuse(text):
        raise ValueError("x" * length)

    monkeypatch.setattr(reading.tomllib, "loads", refuse)
    with pytest.raises(StudyError) as error:
        parse(VALID)
    shown = "x" * min(length, 200) + ("..." if length > 200 else "")
    assert error.value.problems == (f"is not valid TOML: {shown}.",)
