"""Definitions with mistakes, through ``canscope decode``: what is sound is decoded, the rest named.

Each message has the byte signal S at its begin; frames of all of them lie in the capture.
"""

import pytest

HEAD = 'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: Node\n\n'
BYTE = ' SG_ S : 0|8@1+ (1,0) [0|0] "" Node\n'
MESSAGE = f"BO_ 291 M: 8 Node\n{BYTE}"
FINE = f"BO_ 300 Fine: 8 Node\n{BYTE}"
LOG = "".join(
    f"({100 + n}.0) can0 {can_id:03X}#0102030405060708\n"
    for n, can_id in enumerate((291, 300, 292, 7))
)


@pytest.fixture
def decode(canscope, tmp_path):
    """Decode with this definition; (exit code, {signal: value of its first row}, what was told)."""

    def call(content, *words, log=LOG):
        (tmp_path / "d.dbc").write_text(content)
        (tmp_path / "a.log").write_text(log)
        to = tmp_path / "v.csv"
        code, _, err = canscope("decode", "a.log", "--definitions", "d.dbc", "--to", to, *words)
        rows = [line.split(",") for line in to.read_text().splitlines()[1:]] if to.exists() else []
        to.unlink(missing_ok=True)
        return code, {f"{row[3]}.{row[4]}": int(row[5] or -1) for row in rows[::-1]}, err

    return call


SG = ' SG_ {} (1,0) [0|0] "" Node\n'
MISTAKES = {  # a line under the message M, what is told of it, and what is lost
    "colon": (' SG_ T 8|8@1+ (1,0) [0|0] "" Node\n', "colon after its name", "M.T"),
    "space": (SG.format("Two Words : 8|8@1+"), "has a space in it", "M.Two Words"),
    "sign": (SG.format("Temp-1 : 8|8@1+"), "character other than letters", "M.Temp-1"),
    "digit": (SG.format("2nd : 8|8@1+"), "begins with a digit", "M.2nd"),
    "order": (SG.format("T : 8|8@2+"), "byte order is neither 0", "M.T"),
    "comma": (' SG_ T : 8|8@1+ (0,1,0) [0|0] "" Node\n', "decimal comma", "M.T"),
    "quote": (' SG_ T : 8|8@1+ (1,0) [0|0] "V Node\n', "quotation mark is missing", "M.T"),
    "unit": (" SG_ T : 8|8@1+ (1,0) [0|0] Node\n", "its unit is missing", "M.T"),
    "bits": (SG.format("T : 8|0@1+"), "has no bits", "M.T"),
    "huge": (' SG_ T : 8|8@1+ (1e999,0) [0|0] "" Node\n', "beyond all sense", "M.T"),
    "eleven": ("BO_ 6000 N: 8 Node\n" + BYTE, "more than 11 bits, not marked", "N"),
    "wide": ("BO_ 4294967298 N: 8 Node\n" + BYTE, "more than 29 bits", "N"),
    "name": ("BO_ 292 N N: 8 Node\n" + BYTE, "has a space in it", "N N"),
    "labels": (SG.format("T : 8|8@1+") + 'VAL_ 291 T 0x1 "on" ;\n', "value table", "M.T"),
    "marker": (SG.format("T m3 : 8|8@1+"), "marked 'm3'", "M.T"),
    "selector": (
        SG.format("T m3 : 8|8@1+") + "SG_MUL_VAL_ 291 T X 0-3;\n",
        "selected by 'X'",
        "M.T",
    ),
    "values": (
        SG.format("Z M : 16|8@1+")
        + SG.format("T m3 : 8|8@1+")
        + "SG_MUL_VAL_ 291 T Z 0-4294967295;\n",
        "values without sense",
        "M.T",
    ),
    "multiplexer": (
        SG.format("X x M : 16|8@1+") + SG.format("T m3 : 8|8@1+"),
        "multiplexer of that message",
        "M.T",
    ),
    "float": (SG.format("T : 8|32@1+") + "SIG_VALTYPE_ 291 U : 1;\n", "unused SIG_VALTYPE_", "M.T"),
}


LATER = {"labels": 12, "selector": 12, "multiplexer": 12, "float": 12, "values": 13}  # lines


@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_mistake_costs_what_it_is_about_and_is_told_with_its_line(decode, mistake):
    line, told, key = MISTAKES[mistake]
    code, values, err = decode(HEAD + MESSAGE + line + FINE)
    assert code == 0
    assert {k: v for k, v in values.items() if k != "M.Z"} == {"M.S": 1, "Fine.S": 1}
    assert f"d.dbc:{LATER.get(mistake, 11)}: " in err
    assert told in err
    if "." in key:
        code, values, err = decode(HEAD + MESSAGE + line + FINE, "--signals", key)
        assert (code, values) == (2, {})
        assert told in err


def test_all_mistakes_of_a_file_are_told_at_once(decode):
    lines = "".join(MISTAKES[key][0] for key in ("space", "sign", "digit", "comma", "bits"))
    end = MENDED["prose"][0] + MENDED["table"][0] + MENDED["semicolon"][0]
    text = (HEAD + MESSAGE + lines + FINE + BYTE + end).replace("BU_: Node\n", "")
    code, values, err = decode(text)
    assert (code, values) == (0, {"M.S": 1})
    assert "BU_:" in err
    for number in (10, 11, 12, 13, 14, 16, 18, 20):
        assert f"d.dbc:{number}: " in err, number


MENDED = {
    "receiver": (
        ' SG_ T : 8|8@1+ (1,0) [0|0] "" \n',
        "11: signal 'T' of message 'M' names no receiver",
    ),
    "sender": ("BO_ 292 N: 8\n" + BYTE, "11: message 'N' names no sender"),
    "table": ('VAL_ 291 T 1 "on" ;\n', "11: unused VAL_ 291 T"),
    "semicolon": ('VAL_ 291 S 1 "on"\n', "11: the VAL_ statement has no semicolon"),
    "prose": ("this is no statement\n", "11: not a statement"),
    "comment": ('CM_ SG_ 291 S "the "best" one";\n', ""),
    "comments": (
        'CM_ SG_ 291 S "odd" one";\nBO_ 7 N: 8 Node\n' + BYTE + 'CM_ "x";\n',
        "a comment cannot be read",
    ),
    "twice": (MESSAGE, "11: message 'M' is defined twice, the first time on line 9"),
    "leftovers": (
        "BO_ 3221225472 VECTOR__INDEPENDENT_SIG_MSG: 0 Vector__XXX\n"
        + SG.format("T m1 : 0|8@1+")
        + 'VAL_ 3221225472 T 1 "on" ;\n',
        "",
    ),
}


@pytest.mark.parametrize("mistake", MENDED)
def test_what_no_value_rests_on_is_mended_and_told(decode, mistake):
    line, told = MENDED[mistake]
    code, values, err = decode(HEAD + MESSAGE + line)
    more = {"N.S": 1} if " N: 8" in line else {"M.T": 2} if mistake == "receiver" else {}
    assert (code, values) == (0, {"M.S": 1} | more)
    assert f"d.dbc:{told}" in err or told in err
    assert "not decoded" not in err


def test_a_file_without_its_line_of_nodes_is_read(decode):
    code, values, err = decode(f'VERSION ""\n\nNS_ :\n    CM_\n    BA_\n\n{MESSAGE}')
    assert (code, values) == (0, {"M.S": 1})
    assert "BU_:" in err


def test_a_multiplexer_with_a_long_name_selects_its_signals(decode):
    """cantools 45.1 looks for the short name in vain and then decodes neither of them."""
    content = (
        f"{HEAD}BO_ 5 M: 2 Node\n"
        ' SG_ Sel M : 0|8@1+ (1,0) [0|0] "" Node\n SG_ T m2 : 8|8@1+ (1,0) [0|0] "" Node\n'
        'BA_DEF_ SG_ "SystemSignalLongSymbol" STRING ;\nBA_DEF_DEF_ "SystemSignalLongSymbol" "";\n'
        'BA_ "SystemSignalLongSymbol" SG_ 5 Sel "SelectorWithALongName";\n'
    )
    log = "(1.0) can0 005#{}07\n"
    assert decode(content, log=log.format("02"))[1] == {"M.SelectorWithALongName": 2, "M.T": 7}
    assert decode(content, log=log.format("03"))[1] == {"M.SelectorWithALongName": 3}


@pytest.mark.parametrize(
    "cut",
    [
        ' SG_ T : 8|8@1+ (1,0) [0|0] "" ',
        "BO_ 292 N",
        "SIG_VALTYPE_ 291 S : 1",
        'VAL_ 291 S 1 "on"',
        'BA_DEF_ BO_ "GenMsgCycleTime" INT 0',
    ],
)
def test_a_file_that_ends_in_the_middle_of_a_statement_is_refused(decode, cut):
    """Without this the last statement is lost and the rest is read as if nothing were missing."""
    code, values, err = decode(HEAD + MESSAGE + cut)
    assert (code, values) == (2, {})
    assert "d.dbc:11: the DBC file ends in the middle of a statement" in err


def test_overlapping_signals_are_dropped_by_name_and_line_and_no_other(decode):
    other = ' SG_ T : 4|8@1+ (1,0) [0|0] "" Node\n SG_ U : 16|8@1+ (1,0) [0|0] "" Node\n'
    code, values, err = decode(f'{HEAD}{MESSAGE}{other}CM_ "\n SG_ T : 4|8";\n')
    assert (code, values) == (0, {"M.U": 3})
    assert "d.dbc:10: signal 'S' of message 'M' overlaps 'T'" in err
    assert "d.dbc:11: signal 'T' of message 'M' overlaps 'S'" in err


LABELS = ("NaN", "SNA", "Not_Available", "ikke tilgængelig", "brak danych", "нет данных", "無効")


def test_labels_that_say_no_value_are_none(decode):
    """Seven bytes that each hold 200, with a label in a language each, and one with a state's."""
    signals = "".join(
        f' SG_ S{n} : {8 * n}|8@1+ (1,0) [0|0] "" Node\n' for n in range(len(LABELS) + 1)
    )
    tables = "".join(f'VAL_ 291 S{n} 200 "{label}" 1 "on" ;\n' for n, label in enumerate(LABELS))
    tables += 'VAL_ 291 S7 200 "Error" 1 "on" ;\n'
    code, values, err = decode(
        f"{HEAD}BO_ 291 M: 8 Node\n{signals}{tables}", log=f"(1.0) can0 123#{'C8' * 8}\n"
    )
    assert (code, values["M.S7"]) == (0, 200)
    assert "values not available: 7" in err
