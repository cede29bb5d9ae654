"""Files of several recorders through the command line: no order of events is taken from clocks that
nothing connects: a second file that started 1 s earlier would turn precharge-level to pass.
"""

import json

import pytest

DBC = 'VERSION ""\n\nBO_ 1 M: 1 N\n SG_ S : 0|8@1+ (1,0) [0|0] "" N\n'
SPANNING = ("precharge-level", "axle-direction", "link-discharge", "cycle-time")


@pytest.fixture(scope="module")
def split(healthy, tmp_path_factory):
    """The healthy run as two files that count from their own zero, the second for can1 and can2."""
    folder = tmp_path_factory.mktemp("split")
    lines = (healthy / "capture.log").read_text().splitlines(keepends=True)
    zero = float(lines[0][1:].split(")")[0]) - 3.0
    for name, shift, mine in (("body.log", 0.0, ("can0",)), ("units.log", -1.0, ("can1", "can2"))):
        with open(folder / name, "w", encoding="ascii") as file:
            for line in lines:
                stamp, rest = line[1:].split(")", 1)
                if rest.split()[0] in mine:
                    file.write(f"({float(stamp) - zero + shift:.6f}){rest}")
    return folder


def checked(canscope, run, folder, *words):
    """(exit code, findings by rule, the report)."""
    captures = folder / "body.log", folder / "units.log"
    to = run / f"report-{len(list(run.iterdir()))}.json"
    code, _, err = canscope("check", *captures, "--plan", run / "plan.toml", "--json", to, *words)
    assert to.exists(), err
    report = json.loads(to.read_text())
    found = {}
    for finding in report["findings"]:
        found.setdefault(finding["rule"], []).append(finding)
    return code, found, report


def test_recordings_that_share_no_clock_prove_nothing_across_them(canscope, run, split):
    code, found, report = checked(canscope, run, split)
    assert code == 3
    for rule in SPANNING:
        assert {f["verdict"] for f in found[rule]} == {"unproven"}, rule
        assert all("share no clock" in f["sentence"] for f in found[rule]), rule
    # what lies on one clock is judged as ever
    assert {f["verdict"] for f in found["current-ceiling"]} == {"pass"}
    assert {f["verdict"] for f in found["speed-ceiling"]} == {"pass"}
    assert not any(f["verdict"] == "fail" for f in report["findings"])
    [whole] = found["capture-integrity"]
    assert "share no clock" in whole["sentence"]
    assert "each recording's own clock ran on" in whole["sentence"]


def test_an_offset_puts_them_on_one_clock(canscope, run, split):
    offset = f"{split / 'units.log'}=1"
    code, found, report = checked(canscope, run, split, "--offset", offset)
    assert {f["verdict"] for f in found["precharge-level"]} == {"pass"}
    assert code in (0, 3)  # marks of the plan count from the first frame, which is the same here
    assert "the clock ran on" in found["capture-integrity"][0]["sentence"]
    assert report["read_as"]["offsets"] == {str(split / "units.log"): 1.0}
    assert canscope("verify", next(run.glob("report-*.json")))[0] == 0  # it knows the offset


@pytest.mark.parametrize("offset", ["1", "{}=nan", "{}=1e99", "other.log=1"])
def test_an_offset_that_is_none_is_refused(canscope, run, split, offset):
    units = split / "units.log"
    plan = run / "plan.toml"
    words = split / "body.log", units, "--plan", plan, "--offset", offset.format(units)
    code, _, err = canscope("check", *words)
    assert code == 2
    assert "hint:" in err


def test_two_recorders_that_name_two_buses_alike_are_told_apart_by_channel(canscope, tmp_path):
    """Both say can0; today's stamps are of one clock."""
    (tmp_path / "m.dbc").write_text(
        'VERSION ""\n\nBO_ 1 M: 1 N\n SG_ S : 0|8@1+ (1,0) [0|0] "" N\n'
    )
    for name, byte in (("a.log", "11"), ("b.log", "22")):
        lines = [f"({1_700_000_000 + n}.000000) can0 001#{byte}\n" for n in range(3)]
        (tmp_path / name).write_text("".join(lines))
    words = "decode", "a.log", "b.log", "--definitions", "m.dbc", "--to", "v.csv"
    code, _, _ = canscope(*words, "--channel", "can0", "--channel", "can1")
    assert code == 0
    rows = [line.split(",") for line in (tmp_path / "v.csv").read_text().splitlines()[1:]]
    assert {(row[2], float(row[5])) for row in rows} == {("can0", 17.0), ("can1", 34.0)}

    (tmp_path / "a.log").write_text("(1.0) can0 001#11\n(1.1) can1 001#11\n")
    code, _, err = canscope(*words, "--channel", "can0", "--channel", "can1")
    assert code == 2
    assert "names several buses itself (can0, can1)" in err


def test_two_recordings_of_one_bus_that_count_from_their_own_zero_are_refused(canscope, tmp_path):
    (tmp_path / "m.dbc").write_text(
        'VERSION ""\n\nBO_ 1 M: 1 N\n SG_ S : 0|8@1+ (1,0) [0|0] "" N\n'
    )
    for name in ("a.log", "b.log"):
        (tmp_path / name).write_text("(0.5) can0 001#11\n(1.5) can0 001#12\n")
    words = "decode", "a.log", "b.log", "--definitions", "m.dbc", "--to", "v.csv"
    code, _, err = canscope(*words)
    assert code == 2
    assert "both tell of can0" in err
    assert "--channel" in err
    assert canscope(*words, "--offset", "b.log=2")[0] == 0
