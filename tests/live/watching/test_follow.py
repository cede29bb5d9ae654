"""Captures read while they grow: what is wrong in them is counted where it stands."""

from canscope.capture.read import read_capture
from canscope.live.watching.follow import followed

FRAME = b"(1790000000.%06d) can0 123#11\n"
HARM = b"a line of the replayed file that could not be read\n"


def test_a_piece_of_nothing_but_damage_is_counted_and_the_next_is_read(tmp_path):
    """Line numbers are those of each file, and a reader of the whole files tells the same."""
    pieces = [
        ("capture-0001.log", b"".join(FRAME % n for n in range(20))),
        ("capture-0001.log", HARM * 12),
        ("capture-0001.log", FRAME % 30),
        ("capture-0002.log", HARM + FRAME % 40),
        ("capture-0002.log", b"(1790000000.00"),
    ]
    left = iter(pieces)

    def write_on():
        name, text = next(left, (None, b""))
        if name:
            with (tmp_path / name).open("ab") as file:
                file.write(text)
        return bool(name)

    live = list(followed(tmp_path, write_on))
    paths = [str(tmp_path / name) for name in dict.fromkeys(name for name, _ in pieces)]
    tallies = [chunk.tally for chunk in live]
    assert sum(map(len, live)) == 22
    assert sum(tally.skipped for tally in tallies) == 14
    assert any(tally.cut_end for tally in tallies)
    told = [example for tally in tallies for example in tally.examples]
    assert told[0].startswith(f"{paths[0]}:21: ")
    assert told[-1].startswith(f"{paths[1]}:3: cut off")
    offline = [e for chunk in read_capture(*paths) for e in chunk.tally.examples]
    assert set(offline) <= set(told)
