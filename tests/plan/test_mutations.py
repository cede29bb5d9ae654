"""Whatever is written into a plan, loading answers with a plan or with its mistakes, never a crash.

The expectation is the contract itself: bad input is a ``PlanError`` and nothing else.
"""

import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from canscope.model.errors import PlanError
from canscope.plan.load import read_plan
from tests.plan.example import PLAN, lay_out

LINES = PLAN.split("\n")
LITERALS = (
    *("1", "-1", "0", "1e308", "nan", "inf", "-inf", "true", "false", '""', '"x"', "[]", "{}"),
    *("[1, 2]", "['a', 3]", "{ signal = 1 }", "{ signal = 'a.b', true = [1] }", "1979-05-27"),
    *("0x" + "f" * 5000, "9" * 5000, "[[[]]]", "{ a = { b = [ { c = 1 } ] } }", '"\\u0000"'),
    *(
        '"<script>"',
        '"can0:PackStatus.PackVoltage"',
        "{ state = { signal = 'x' } }",
        "'\U0001f600'",
    ),
)
KEYS = ("format", "signal", "true", '"<script>"', '"\\u0000"', "a.b.c", "off", "mounting", "units")
LINE = st.sampled_from(range(len(LINES)))


def with_value(line, literal):
    key, equals, _ = line.partition("=")
    return f"{key}= {literal}" if equals else line


def with_key(line, key):
    _, equals, value = line.partition("=")
    return f"{key} ={value}" if equals else f"[{key}]"


CHANGE = st.one_of(
    st.tuples(st.just(with_value), LINE, st.sampled_from(LITERALS)),
    st.tuples(st.just(with_key), LINE, st.sampled_from(KEYS)),
    st.tuples(st.just(lambda line, text: line + text), LINE, st.text(max_size=8)),
    st.tuples(st.just(lambda line, text: text), LINE, st.sampled_from(["", "[]", "[[units]]"])),
)


@pytest.fixture(scope="module")
def read_once():
    with tempfile.TemporaryDirectory() as folder:
        yield read_plan(lay_out(Path(folder))).definitions


def load(text, definitions):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.toml"
        path.write_bytes(text.encode("utf-8", "surrogatepass"))
        try:
            return read_plan(path, definitions=definitions)
        except PlanError as error:
            return [str(mistake) for mistake in error.mistakes]


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(changes=st.lists(CHANGE, min_size=1, max_size=5))
def test_a_mutated_plan_loads_or_is_a_plan_error(read_once, changes):
    lines = list(LINES)
    for change, number, text in changes:
        lines[number] = change(lines[number], text)
    assert load("\n".join(lines), read_once)


@pytest.mark.parametrize(
    "text",
    ["", "\0", "x = " + "[" * 50_000, "a" + ".a" * 3_000 + " = 1", "include = 5", "job = 1",
     "units = [1]", "rules = { x = 1 }", "[[job]]", "marks = [1]", "include = '\\u0000'"],
)  # fmt: skip
def test_what_is_hardly_a_plan_is_a_plan_error(read_once, text):
    assert isinstance(load(text, read_once), list)


@pytest.mark.parametrize("literal", LITERALS)
def test_any_value_in_place_of_a_section_is_a_plan_error_or_harmless(read_once, literal):
    for section in ("units", "rules", "limits", "buses", "waivers", "driver"):
        text = f'format = 1\n{section} = {literal}\n[job]\nvehicle = "a"\nstage = "rolling"'
        assert load(text, read_once)
