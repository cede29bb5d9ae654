"""What pydantic made of a plan is kept: the same plan is read the same, and nothing else is.

The oracle is the same plan read with an empty cache folder.
"""

import hashlib
import os

import pytest

from canscope.cache import store
from canscope.model.errors import PlanError
from canscope.plan import validate
from canscope.plan.load import read_plan
from tests.plan.example import changed, lay_out


@pytest.fixture
def home(tmp_path, monkeypatch):
    """An empty cache folder of its own."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    return tmp_path / "cache" / "canscope" / "plans"


@pytest.fixture
def asked(monkeypatch):
    """How often pydantic was asked."""
    calls = []
    for name in ("validate", "parameter"):
        real = getattr(validate, name)
        monkeypatch.setattr(
            validate, name, lambda *a, real=real, **k: calls.append(a) or real(*a, **k)
        )
    return calls


def told(plan):
    """All that is known of a plan, written out; classes of numbers show in it."""
    bench = plan.bench
    return [repr(part) for part in (bench, plan.rules, plan.waivers, plan.marks, plan.job)] + [
        repr(part) for part in (plan.warnings, plan.mounting, plan.inputs, sorted(plan.wanted))
    ]


def test_what_comes_back_is_what_was_read(home, tmp_path, asked):
    path = lay_out(tmp_path)
    fresh = told(read_plan(path))
    (entry,) = home.iterdir()
    written, before = entry.stat().st_mtime_ns, len(asked)
    assert before > 1
    assert told(read_plan(path)) == fresh
    assert (len(asked), entry.stat().st_mtime_ns) == (before, written)


def test_a_plan_edited_within_the_same_second_is_read_anew(home, tmp_path):
    path = lay_out(tmp_path)
    stamp = path.stat()
    read_plan(path)
    text = path.read_text("utf-8").replace("speed_rpm = 1500", "speed_rpm = 1400")
    path.write_text(text, "utf-8")
    os.utime(path, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
    assert read_plan(path).rules["speed-ceiling"].speed_rpm == 1400


def test_a_mistake_is_told_each_time_and_nothing_is_kept_of_it(home, tmp_path):
    path = lay_out(tmp_path, changed(("cold     = true", "cold     = 3")))
    said = []
    for _ in range(2):
        with pytest.raises(PlanError) as caught:
            read_plan(path)
        said.append(str(caught.value))
    assert said[0] == said[1]
    assert "true or false" in said[0]
    assert not home.exists()


def test_a_mistake_that_comes_after_a_good_run_is_found(home, tmp_path):
    path = lay_out(tmp_path)
    read_plan(path)
    path.write_text(path.read_text("utf-8").replace("speed_rpm = 1500", 'speed_rpm = "1500"'))
    with pytest.raises(PlanError):
        read_plan(path)


def test_what_is_included_counts_as_the_plan_itself(home, tmp_path):
    path = lay_out(tmp_path)
    other = tmp_path / "vehicle.toml"
    other.write_text("format = 1\n[pack]\nminimum = 1\n", "utf-8")
    path.write_text('include = "vehicle.toml"\n' + path.read_text("utf-8"), "utf-8")
    with pytest.raises(PlanError):
        read_plan(path)
    other.write_text("format = 1\n[job]\nplace = 'hall 1'\n", "utf-8")
    assert read_plan(path).job["place"] == "hall 1"
    other.write_text("format = 1\n[job]\nplace = 'hall 2'\n", "utf-8")
    assert read_plan(path).job["place"] == "hall 2"


def test_a_definition_that_changed_is_seen_and_its_mistakes_too(home, tmp_path):
    path = lay_out(tmp_path)
    read_plan(path)
    definition = tmp_path / "drive_unit.dbc"
    text = definition.read_text("utf-8")
    definition.write_text(text.replace('(0.5,0) [-12000|12000] "1/min"', '(0.5,0) [0|0] ""'))
    assert any("no unit" in warning for warning in read_plan(path).warnings)
    definition.write_text(text.replace('(0.5,0) [-12000|12000] "1/min"', '(0.5,0) [0|0] "kg"'))
    with pytest.raises(PlanError):
        read_plan(path)


@pytest.mark.parametrize(("first", "second"), [("30", "30.0"), ("true", "1"), ("1", "true")])
def test_numbers_of_another_kind_are_another_plan(home, tmp_path, first, second):
    """1, 1.0 and true are equal in Python, and only some of them are right."""
    path = lay_out(tmp_path, changed(("dry_current_A = 30", f"dry_current_A = {first}")))

    def outcome():
        try:
            return told(read_plan(path))
        except PlanError as error:
            return str(error)

    one = outcome()
    text = path.read_text("utf-8").replace(f"A = {first}", f"A = {second}")
    path.write_text(text, "utf-8")
    two = outcome()
    assert two == outcome()
    assert ("expected" in str(one), "expected" in str(two)) == (first == "true", second == "true")


def test_a_cut_or_damaged_entry_is_made_again(home, tmp_path):
    path = lay_out(tmp_path)
    fresh = told(read_plan(path))
    (entry,) = home.iterdir()
    whole = entry.read_bytes()
    flipped = whole.replace(b'"vehicle":', b'"vehicla":', 1)
    foreign = [b"[]", b"null", b"3", b'{"tables": ']
    signed = [hashlib.sha256(text).hexdigest().encode() + b"\n" + text for text in foreign]
    for harm in (b"", b"\n", whole[:40], whole[:-1], whole + b" ", b"\xff" * 99, flipped, *signed):
        entry.write_bytes(harm)
        assert told(read_plan(path)) == fresh
        assert entry.read_bytes() == whole


def test_a_user_without_a_home_is_no_error(tmp_path, monkeypatch):
    monkeypatch.setattr(store, "folder", lambda kind: None)
    path = lay_out(tmp_path)
    assert told(read_plan(path)) == told(read_plan(path))


def test_another_checker_or_version_asks_anew(home, tmp_path, monkeypatch):
    path = lay_out(tmp_path)
    read_plan(path)
    monkeypatch.setattr(store, "version", lambda library: f"{library} 99.0")
    read_plan(path)
    monkeypatch.setattr(store, "__version__", "99.0")
    read_plan(path)
    monkeypatch.setattr(store, "digest_of", lambda sources: "of other sources")
    read_plan(path)
    assert len(list(home.iterdir())) == 4
