"""What is written is what Python's own TOML reader reads."""

import tomllib

from canscope.live.run_folder.toml import replace_file, toml_text


def test_everything_that_a_run_holds_comes_back():
    data = {
        "format": 1,
        "words": ['quotes " and \\ and \n and \x7f and ü', "*"],
        "run": {"note": "", "x": -1.5, "big": 1_795_601_878_803_281_838, "yes": True, "none": []},
        "buses": {"*": {"a b": 1}, "can0": {"silent": False}},
        "events": [{"at_ns": 1, "what": "a"}, {"at_ns": 2, "what": "b"}],
    }
    assert tomllib.loads(toml_text(data)) == data


def test_what_is_not_known_is_left_out():
    assert tomllib.loads(toml_text({"a": None, "t": {"b": None, "c": 1}})) == {"t": {"c": 1}}


def test_a_file_is_replaced_as_a_whole(tmp_path):
    replace_file(tmp_path / "run.toml", "a = 1\n")
    replace_file(tmp_path / "run.toml", "a = 2\n")
    assert [p.name for p in tmp_path.iterdir()] == ["run.toml"]
    assert (tmp_path / "run.toml").read_text() == "a = 2\n"
