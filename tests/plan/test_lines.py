"""Lines of keys: counted by hand in the text below, which the standard parser must accept too."""

import tomllib

from canscope.plan.lines import key_lines, line_of

TEXT = '''# comment with [brackets] and "quotes"
format = 1

[job]   # [not.a.section]
notes = """
[limits]
speed_rpm = 1 \\"""
"""
a.b . "c.d" = 'x = 1 # no comment'

[units."front axle"]
list = [
  1, # ]
  "]",
]
mounting = { roll = 0, "yaw" = 180 }
[[waivers]]
rule = "a"
[[waivers]]
rule = "b"
by = \'\'\'
two\'\'\'
last = 1'''


def test_every_key_stands_on_the_line_where_a_reader_finds_it():
    data = tomllib.loads(TEXT)
    lines = key_lines(TEXT)
    assert lines[("format",)] == 2
    assert lines[("job",)] == 4
    assert lines[("job", "notes")] == 5
    assert ("limits",) not in lines
    assert "limits" not in data
    assert lines[("job", "a", "b", "c.d")] == 9
    assert lines[("units",)] == lines[("units", "front axle")] == 11
    assert lines[("units", "front axle", "list")] == 12
    assert lines[("units", "front axle", "mounting")] == 16
    assert lines[("waivers", 0, "rule")] == 18
    assert lines[("waivers", 1)] == 19
    assert lines[("waivers", 1, "rule")] == 20
    assert lines[("waivers", 1, "last")] == 23


def test_a_key_inside_an_inline_table_is_on_the_line_of_the_outer_key():
    assert line_of(("units", "front axle", "mounting", "yaw"), key_lines(TEXT)) == 16


def test_tables_inside_entries_of_an_array_belong_to_the_last_entry():
    text = "[[a]]\n[[a.b]]\nx = 1\n[a.c]\ny = 1\n[[a]]\n[[a.b]]\nx = 2\n[[a.b]]\nx = 3\n"
    tomllib.loads(text)
    lines = key_lines(text)
    assert lines[("a", 0, "b", 0, "x")] == 3
    assert lines[("a", 0, "c", "y")] == 5
    assert lines[("a", 1, "b", 0, "x")] == 8
    assert lines[("a", 1, "b", 1, "x")] == 10
