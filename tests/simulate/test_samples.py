"""The committed examples are what the simulator makes, and small."""

import gzip
from pathlib import Path

import pytest

from canscope.checking.inputs import Inputs
from canscope.checking.judging import judge_files
from canscope.simulate.samples import example_files, marks_jsonl, sample_runs

ROOT = Path(__file__).parents[2]
LOGS = ROOT / "sample_logs"


def test_definitions_and_plans_are_made_again_as_committed():
    for name, text in example_files().items():
        assert (ROOT / "dbc_examples" / name).read_text("utf-8") == text, name


@pytest.fixture(scope="module")
def runs():
    return sample_runs()


def test_sample_logs_are_made_again_as_committed(runs):
    for name, run in runs.items():
        data = (LOGS / name).read_bytes()
        text = gzip.decompress(data) if name.endswith(".gz") else data
        assert text.decode() == run.capture_text(), name
        marks = LOGS / f"{name.split('.')[0]}.marks.jsonl"
        assert marks.read_text("utf-8") == marks_jsonl(run)


@pytest.mark.parametrize("folder", ["dbc_examples", "sample_logs"])
def test_every_example_is_listed_with_its_source(folder):
    listed = (ROOT / folder / "SOURCES.md").read_text("utf-8")
    files = [p for p in (ROOT / folder).rglob("*") if p.is_file() and p.name != "SOURCES.md"]
    made = {*example_files(), *(p.name for p in LOGS.glob("bramble_*"))}
    assert len(files) >= 4
    for path in files:
        name = path.relative_to(ROOT / folder).as_posix()
        if name in made:
            assert f"`{name}`" in listed, name


def test_the_samples_stay_small():
    files = [p for f in ("dbc_examples", "sample_logs") for p in (ROOT / f).rglob("*")]
    assert sum(p.stat().st_size for p in files if p.is_file()) < 3_000_000


@pytest.mark.parametrize(
    ("capture", "verdict", "failed"),
    [
        ("bramble_dry_spin.log.gz", "pass", set()),
        (
            "bramble_front_axle_wrong_way.log",
            "fail",
            {"axle-direction", "axle-agreement", "unasked-motion"},
        ),
    ],
)
def test_the_samples_show_what_their_list_says(capture, verdict, failed):
    plan = ROOT / "dbc_examples" / "bramble" / "dry_spin.toml"
    marks = LOGS / f"{capture.split('.')[0]}.marks.jsonl"
    report = judge_files(Inputs((str(LOGS / capture),), plan), marks=marks)
    assert report.verdict == verdict
    assert {f.rule for f in report.findings if f.verdict == "fail"} == failed
