"""Definitions that somebody made to do harm: bounded, told, no traceback and no hang."""

import time

import pytest

from canscope.cli.main import main
from canscope.decoding.database import read_definitions
from canscope.model.errors import DefinitionError

from .conftest import HEAD

SIGNAL = ' SG_ S{} : 0|8@1+ (1,0) [0|0] "" Node\n'
BOMB = (
    '<?xml version="1.0"?>\n<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">'
    + "".join(f'<!ENTITY a{n} "{f"&a{n - 1 if n else str()};" * 10}">' for n in range(9))
    + "]>\n"
)
ROOTS = {
    "kcd": '<NetworkDefinition xmlns="http://kayak.2codeornot2code.org/1.0">{}</NetworkDefinition>',
    "arxml": '<AUTOSAR xmlns="http://autosar.org/schema/r4.0">{}</AUTOSAR>',
}


@pytest.fixture
def refused(tmp_path, capsys):
    """What decode says of a definition, which it does not use."""
    (tmp_path / "a.log").write_text("(1.0) can0 123#00\n")

    def call(path, text):
        path.write_text(text)
        to = ("--to", str(tmp_path / "v.csv"))
        began = time.process_time()
        code = main(["decode", str(tmp_path / "a.log"), "--definitions", str(path), *to])
        assert time.process_time() - began < 10
        said = capsys.readouterr().err
        assert code == 2
        assert "\n  hint: " in said
        assert len(said) < 2000
        return said

    return call


@pytest.mark.parametrize("kind", ROOTS)
def test_entities_are_refused_before_they_grow(tmp_path, refused, kind):
    text = BOMB + ROOTS[kind].format("&a8;")
    assert f"x.{kind}:2: it declares XML entities" in refused(tmp_path / f"x.{kind}", text)
    outside = '<?xml version="1.0"?>\n<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/hostname">]>\n'
    text = outside + ROOTS[kind].format("&a;")
    assert "it declares XML entities" in refused(tmp_path / f"y.{kind}", text)


@pytest.mark.parametrize("kind", ROOTS)
def test_elements_without_end_are_refused(tmp_path, refused, kind):
    deep = ROOTS[kind].format("<a>" * 100_000 + "</a>" * 100_000)
    assert "more than 100 deep" in refused(tmp_path / f"x.{kind}", deep)
    many = {"kcd": "<Signal/>", "arxml": "<I-SIGNAL/>"}[kind] * 1_000_000
    said = refused(tmp_path / f"y.{kind}", ROOTS[kind].format(many))
    assert "more than 100000 signals" in said


def test_a_million_signals_are_refused(tmp_path, refused):
    text = HEAD + "BO_ 291 M: 8 Node\n" + "".join(map(SIGNAL.format, range(1_000_000)))
    assert "more than 100000 signals" in refused(tmp_path / "x.dbc", text)


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        ("BO_ 291 M: 8 Node\n" + SIGNAL.format("") * 5000, "is defined 5000 times"),
        ("BO_ 291 M: 8 Node\n" + "".join(map(SIGNAL.format, range(5000))), "overlaps"),
        ("".join(f"VAL_ {n} T 1 x;\n" for n in range(5000)), ""),
        ('CM_ "' * 30_000, ""),
        ('CM_ "\n' * 8000, ""),
        ("CM_ words\n" * 8000, ""),
        ("BO_ " * 100_000, "in the middle of a statement"),
        ("(" * 500_000, "not readable as DBC"),
        ('SG_ "' + " " * 500_000 + ":", ""),
        ("BO_ 291 M: " + "9" * 5000 + " Node\n", "a message cannot be read"),
        ("BO_ " + "9" * 5000 + " M: 8 Node\n", "a message cannot be read"),
    ],
    ids=[
        "same",
        "overlaps",
        "tables",
        "quotes",
        "comments",
        "words",
        "heads",
        "brackets",
        "blanks",
        "long",
        "id",
    ],
)
def test_many_mistakes_take_no_more_time_than_many_lines(tmp_path, lines, told):
    path = tmp_path / "x.dbc"
    path.write_text((HEAD if "(" not in lines[:3] else "") + lines)
    began = time.process_time()
    code = main(["definitions", "check", str(path)])
    assert time.process_time() - began < 5
    assert code in (0, 2)
    if told:
        with pytest.raises(DefinitionError, match=told):
            read_definitions(path)


def test_names_with_control_sequences_and_markup_are_shown_not_obeyed(tmp_path, capsys):
    attribute = 'BA_DEF_ SG_ "SystemSignalLongSymbol" STRING ;\n'
    named = 'BA_ "SystemSignalLongSymbol" SG_ 291 S "<script>\x1b[2J\x1b]0;x\x07";\n'
    path = tmp_path / "x.dbc"
    signal = SIGNAL.format("").replace("(1,0)", "(0,0)")
    path.write_text(HEAD + "BO_ 291 M: 8 Node\n" + signal + attribute + named)
    log = tmp_path / "x.log"
    log.write_text("(1700000000.000000) can0 123#00\n")
    decode = ["decode", str(log), "--definitions", str(path), "--to", str(tmp_path / "o.csv")]
    unknown = [*decode, "--signals", "M.<script>\x1b[2J"]
    for words, code in ((["definitions", "check", str(path)], 0), (decode, 0), (unknown, 2)):
        assert main(words) == code
        printed = capsys.readouterr()
        assert "<script>" in printed.out + printed.err
        assert "\x1b" not in printed.out + printed.err
        assert "Traceback" not in printed.err
