"""The one word of the live view, large enough to be read from five metres, between its shape."""

from __future__ import annotations

ROWS = 5
INK = "█"
GLYPHS = {
    "A": (".###.", "#...#", "#####", "#...#", "#...#"),
    "D": ("####.", "#...#", "#...#", "#...#", "####."),
    "E": ("#####", "#....", "####.", "#....", "#####"),
    "G": (".####", "#....", "#..##", "#...#", ".####"),
    "I": ("###", ".#.", ".#.", ".#.", "###"),
    "N": ("#...#", "##..#", "#.#.#", "#..##", "#...#"),
    "O": (".###.", "#...#", "#...#", "#...#", ".###."),
    "P": ("####.", "#...#", "####.", "#....", "#...."),
    "R": ("####.", "#...#", "####.", "#..#.", "#...#"),
    "S": (".####", "#....", ".###.", "....#", "####."),
    "T": ("#####", "..#..", "..#..", "..#..", "..#.."),
    "U": ("#...#", "#...#", "#...#", "#...#", ".###."),
    "Y": ("#...#", ".#.#.", "..#..", "..#..", "..#.."),
    " ": ("..", "..", "..", "..", ".."),
}
# A word's own shape tells it apart without colour and where letters blur.
SHAPES = {
    "STOP": ("#####", "#####", "#####", "#####", "#####"),
    "TURNING": ("#.#..", ".#.#.", "..#.#", ".#.#.", "#.#.."),
    "READY": (".###.", "#####", "#####", "#####", ".###."),
    "NOT READY": ("..#..", ".#.#.", "#...#", ".#.#.", "..#.."),
}


def big_word(word: str, width: int, tall: int = 1) -> list[str]:
    """The word in ``ROWS * tall`` rows, centred, as wide as fits; its shape on both sides.

    Where two shapes do not fit there is one, where none fits the word stands alone; in less than
    that, in plain letters.
    """
    shape, blank = SHAPES[word], ("..",) * ROWS
    letters = [GLYPHS[letter] for letter in word]
    shaped = ([shape, blank, *letters, blank, shape], [shape, *letters])
    tries = [(wide, parts) for wide in range(2 * tall, 0, -1) for parts in shaped]
    for wide, parts in [*tries, (1, letters)]:
        rows = [".".join(glyph[row] for glyph in parts) for row in range(ROWS)]
        if len(rows[0]) * wide <= width:
            drawn = [_inked(row, wide).center(width) for row in rows]
            return [row for row in drawn for _ in range(tall)]
    return [word.center(width)]


def _inked(row: str, wide: int) -> str:
    return "".join((INK if dot == "#" else " ") * wide for dot in row)
