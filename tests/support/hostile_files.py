"""Malicious files: valid ones, changed at random places into whatever TOML can say."""

import copy
import os
import resource
import sys
import tomllib
from contextlib import contextmanager

import psutil
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ebbmap.errors import StudyError

HOSTILE = dict(
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)

#: How many hostile files of each kind the slow set tries; more or fewer by this variable.
HOSTILE_FILES = int(os.environ.get("EBBMAP_HOSTILE_FILES", "200"))

#: What reading files may add to this process: a study of the largest axes takes some 10 MB.
READING_BYTES = 500_000_000

#: Calls and returns of functions while one file is read, counted: the bundled files take 62,000
#: at most, and a check that compares each entry with each would take millions.
READING_CALLS = 1_500_000

NAMES = ["t_low", "p_high", "compliance", "height", "flow_ratio", "auto_peep", "normal", "mine"]
ODD = st.one_of(
    st.sampled_from([*NAMES, "", "nan", 0, -1, 1, 3, 10**30, 10**400, 0.0, 1e308, -1e308, 0.5]),
    st.sampled_from([10**5000, 16**4000, float("nan"), float("inf"), True, [0.5, 0.3]]),
    st.sampled_from([[], {}, [[]], [{}]]),
    st.floats(),
    st.integers(-5, 50),
    st.text('ab"\\\n=[]é\x00\x1f/.', max_size=5),
    st.lists(st.sampled_from([*NAMES, 0.3, 1]), max_size=3),
    st.dictionaries(
        st.sampled_from([*NAMES, "start", "along", "low", "high", "rule"]),
        st.one_of(st.floats(0, 50), st.sampled_from(["flow_ratio", "plateau"])),
        max_size=3,
    ),
)


def write(value):
    """Write a value as TOML."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "{" + ", ".join(f"{quote(k)} = {write(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(write(v) for v in value) + "]"
    if isinstance(value, int):
        # Python itself refuses to write decimal integers of more than 4,300 digits, and the parser
        # to read them; hexadecimal ones pass both
        if abs(value) < 10**4000:
            return repr(value)
        return hex(value) if value == 16**4000 else "1" + "0" * 5000
    return quote(value) if isinstance(value, str) else repr(value)


def quote(text):
    escaped = "".join(f"\\U{ord(c):08X}" if not c.isalnum() else c for c in text)
    return f'"{escaped}"'


def written(raw):
    """Write a whole file."""
    return "\n".join(f"{quote(key)} = {write(value)}" for key, value in raw.items())


def places(value, path=()):
    """Every path into nested tables and lists."""
    yield path
    items = value.items() if isinstance(value, dict) else enumerate(value)
    for key, inner in items:
        if isinstance(inner, (dict, list)):
            yield from places(inner, (*path, key))
        else:
            yield (*path, key)


@st.composite
def mutated(draw, text, most=4):
    """A valid file with one to `most` values replaced, removed or added."""
    raw = tomllib.loads(text)
    for _ in range(draw(st.integers(1, most))):
        path = draw(st.sampled_from([p for p in places(raw) if p]))
        table = raw
        for key in path[:-1]:
            table = table[key]
        change = draw(st.sampled_from(["replace", "remove", "add"]))
        if change == "remove":
            del table[path[-1]]
        elif change == "add" and isinstance(table, dict):
            added = draw(st.sampled_from([*NAMES, "t_low_in_time_constants", "sex", "/../x"]))
            table[added] = copy.deepcopy(draw(ODD))
        else:
            table[path[-1]] = copy.deepcopy(draw(ODD))
        if not raw:
            break
    return written(raw)


def told_or_taken(text, parse, kind):
    """Return what a file is, or None where it is a list of problems."""
    try:
        found = parse(text)
    except StudyError as error:
        assert error.problems
        assert all(problem.strip() for problem in error.problems)
        return None
    assert isinstance(found, kind)
    return found


def try_many(text, parse, kind, files=HOSTILE_FILES):
    """Try so many hostile files: no traceback, no long loops, no memory."""

    @settings(max_examples=files, **HOSTILE)
    @given(mutated(text))
    def tried(changed):
        with few_calls():
            told_or_taken(changed, parse, kind)

    with little_memory():
        tried()


@contextmanager
def few_calls(most=READING_CALLS):
    """Count calls, and fail where they become too many: work is bounded without a clock."""
    left = most

    def count(*_):
        nonlocal left
        left -= 1
        if left < 0:
            sys.setprofile(None)
            raise RuntimeError(f"more than {most:,} calls for one file")

    sys.setprofile(count)
    try:
        yield
    finally:
        sys.setprofile(None)


@contextmanager
def little_memory(most=READING_BYTES):
    """Let this process have so much more memory and no more: past it, reading fails."""
    before = resource.getrlimit(resource.RLIMIT_AS)
    room = psutil.Process().memory_info().vms + most
    resource.setrlimit(resource.RLIMIT_AS, (room, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_AS, before)
