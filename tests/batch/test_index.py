"""The headline, the exit code, the page and the command's own mistakes."""

import json

import pytest

from canscope.cli.batch import EXIT
from canscope.cli.main import main
from canscope.model.batch import STATES, Batch, BatchRun
from canscope.model.report import ReadAs
from canscope.report import batch_page
from tests.report.browser import dom


def batch_of(*runs):
    return Batch(runs, (), ("notes.txt",), "bench.toml", ReadAs(), "0.1.0", "2026-01-01 00:00 UTC")


def batch_in(*states):
    return batch_of(*(BatchRun(f"run {n}", s, headline=s) for n, s in enumerate(states)))


@pytest.mark.parametrize(
    ("states", "worst", "code"),
    [
        (("pass", "pass"), "pass", 0),
        (("pass", "unproven"), "unproven", 3),
        (("pass", "unproven", "not judged"), "not judged", 2),
        (("not judged", "fail", "unproven"), "fail", 1),
        (("not judged",), "not judged", 2),
    ],
)
def test_nothing_but_passes_is_summed_up_as_a_pass(states, worst, code):
    batch = batch_in(*states)
    assert batch.worst == worst
    assert EXIT[batch.worst] == code


def test_the_headline_counts_the_worst_first_and_what_a_pass_does_not_say():
    assert batch_in("pass", "not judged", "unproven", "unproven", "fail").headline == (
        "fail 1, unproven 2, not judged 1, pass 1, of 5 runs"
    )
    accepted = BatchRun("a", "pass", headline="pass, 2 items accepted by A. Tester", waived=2)
    assert batch_of(accepted, BatchRun("b", "pass", headline="pass")).headline == (
        "fail 0, unproven 0, not judged 0, pass 2 "
        "(1 of them with something accepted, loosened or switched off), of 2 runs"
    )


def test_the_page_shows_texts_and_runs_none_of_them(tmp_path):
    name = "<script>document.title = 'run'</script>"
    runs = [
        BatchRun("fine", "pass", headline="pass", result="judged/a b#1.json"),
        BatchRun(name, "not judged", f"{name}: no capture\n  hint: name one"),
        BatchRun("weak", "fail", wrong="the pack sagged", result="judged/w.json"),
    ]
    became = dom(b"".join(batch_page.page(batch_of(*runs))).decode(), tmp_path, "index")
    assert "<title>Batch: fail 1, unproven 0, not judged 1, pass 1, of 3 runs</title>" in became
    assert "&lt;script&gt;" in became
    assert "no capture; hint: name one" in became
    places = [became.index(text) for text in ("the pack sagged", "no capture", ">fine<")]
    assert places == sorted(places)
    assert 'href="judged/a%20b%231.json"' in became
    data = json.loads(batch_page.data(batch_of(*runs)))
    assert list(data["counts"]) == list(STATES)
    assert data["headline"].startswith("fail 1")


def test_mistakes_in_the_command_are_told_before_any_work(bench, tmp_path, capsys):
    plan = bench / "plan" / "plan.toml"

    def told(*words):
        assert main(["batch", *map(str, words)]) == 2
        return capsys.readouterr().err

    other = tmp_path / "other"
    other.mkdir()
    (other / "thesis.txt").write_text("")
    runs = bench / "runs"
    assert "holds other things" in told(runs, "--plan", plan, "--to", other)
    assert "--workers 0" in told(runs, "--plan", plan, "--workers", 0)
    assert "nothing has that name" in told(bench / "nowhere", "--plan", plan)
    assert "did you mean 'junit'" in told(runs, "--plan", plan, "--report", "junitt")
    assert "no address" in told(runs, "--plan", plan, "--to", tmp_path / "o", "--scheduler", "x")
    (tmp_path / "wrong.toml").write_text("format = 1\n")
    assert "wrong.toml" in told(runs, "--plan", tmp_path / "wrong.toml")
    assert sorted(path.name for path in other.iterdir()) == ["thesis.txt"]
