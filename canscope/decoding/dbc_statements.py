"""The text of a DBC file -> its statements with their lines; one that is wrong costs only itself.

What decides how frames are decoded is read (BO_, SG_, VAL_, SIG_VALTYPE_, SG_MUL_VAL_ and BA_ with
its definitions); comments, nodes, groups and the like are passed over. Source: the grammar that
cantools reads (dbc_loader.py); the format itself has no published standard.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import accumulate

KEYWORDS = (
    "BA_", "BA_DEF_", "BA_DEF_DEF_", "BA_DEF_DEF_REL_", "BA_DEF_REL_", "BA_DEF_SGTYPE_",
    "BA_REL_", "BA_SGTYPE_", "BO_", "BO_TX_BU_", "BS_", "BU_", "BU_BO_REL_", "BU_EV_REL_",
    "BU_SG_REL_", "CAT_", "CAT_DEF_", "CM_", "ENVVAR_DATA_", "EV_", "EV_DATA_", "FILTER",
    "NS_", "NS_DESC_", "SG_", "SG_MUL_VAL_", "SGTYPE_", "SGTYPE_VAL_", "SIG_GROUP_",
    "SIG_TYPE_REF_", "SIG_VALTYPE_", "SIGTYPE_VALTYPE_", "VAL_", "VAL_TABLE_", "VERSION",
)  # fmt: skip
_ANY = "|".join(sorted(KEYWORDS, key=len, reverse=True))
KEYWORD = re.compile(rf"(?:{_ANY})\b")
BEGIN = re.compile(rf"^[ \t]*(?:{_ANY})\b", re.MULTILINE)  # of a statement, after a wrong one
SPACE = re.compile(r"\s*")

WORD = rf"(?!(?:{_ANY})\b)[A-Za-z_][A-Za-z0-9_]*+"
NUMBER = r"[-+]?[0-9]{1,400}+\.?[0-9]{0,400}+(?:[eE][-+]?[0-9]{1,6})?"
STRING = r'"(?:\\"|[^"])*+"'
ID = r"[0-9]{1,10}"
COMMENT = re.compile(rf"({STRING})|//[^\n]*")
END = r"\s*+(?P<end>;)?"

# What each statement must look like. A group that a mistake leaves empty is told further up.
GRAMMAR = {
    "BO_": re.compile(
        rf"BO_\s++(?P<id>{ID})\s++(?P<name>{WORD})\s*+:\s*+(?P<length>[0-9]{{1,9}})\b"
        rf"(?:\s++(?P<sender>{WORD}))?"
    ),
    "SG_": re.compile(
        rf"SG_\s++(?P<name>{WORD})(?:\s++(?P<marker>m[0-9]{{1,18}}M?|M))?\s*+:"
        r"\s*+(?P<start>[0-9]{1,9})\s*+\|\s*+(?P<length>[0-9]{1,9})\s*+@\s*+(?P<order>[01])\s*+"
        rf"(?P<sign>[-+])\s*+\(\s*+(?P<factor>{NUMBER})\s*+,\s*+(?P<offset>{NUMBER})\s*+\)\s*+"
        rf"\[\s*+(?P<low>{NUMBER})\s*+\|\s*+(?P<high>{NUMBER})\s*+\]\s*+(?P<unit>{STRING})"
        rf"(?P<receivers>\s*+{WORD}(?:\s*+,\s*+{WORD})*+)?"
    ),
    "VAL_": re.compile(
        rf"VAL_\s++(?:(?P<id>{ID})\s++)?(?P<name>{WORD})"
        rf"(?P<pairs>(?:\s*+[-+]?[0-9]{{1,20}}\s*+{STRING})*+){END}"
    ),
    "SIG_VALTYPE_": re.compile(
        rf"SIG_VALTYPE_\s++(?P<id>{ID})\s++(?P<name>{WORD})\s*+:?\s*+(?P<type>[0-3])\b{END}"
    ),
    "SG_MUL_VAL_": re.compile(
        rf"SG_MUL_VAL_\s++(?P<id>{ID})\s++(?P<name>{WORD})\s++(?P<selector>{WORD})\s++"
        rf"(?P<ranges>[0-9]{{1,18}}\s*+-\s*+[0-9]{{1,18}}"
        rf"(?:\s*+,\s*+[0-9]{{1,18}}\s*+-\s*+[0-9]{{1,18}})*+){END}"
    ),
    "BA_DEF_": re.compile(
        rf"BA_DEF_\s++(?:(?P<kind>SG_|BO_|EV_|BU_)\s++)?(?P<name>{STRING})\s*+"
        rf"(?P<type>INT|HEX|FLOAT|ENUM|STRING)\b(?P<values>(?:\s*+(?:{STRING}|{NUMBER}|,))*+){END}"
    ),
    "BA_DEF_DEF_": re.compile(
        rf"BA_DEF_DEF_\s++(?P<name>{STRING})\s*+(?P<value>{STRING}|{NUMBER}){END}"
    ),
    "BA_": re.compile(
        rf"BA_\s++(?P<name>{STRING})\s*+(?:BO_\s++(?P<id>{ID})|SG_\s++(?P<signal_id>{ID})\s++"
        rf"(?P<signal>{WORD})|(?:BU_|EV_)\s++{WORD})?\s*+(?P<value>{STRING}|{NUMBER}){END}"
    ),
}
# Whatever they say changes no value: passed over up to their semicolon, strings and all.
PASSED = re.compile(
    rf"(?:{_ANY})\b(?:[^;\"\n]|\n(?![ \t]*(?:{_ANY})\b)|{STRING})*+;"  # not over a next one
)
HEADS = {
    "BU_": re.compile(rf"BU_\s*+:(?:\s*+{WORD})*+"),
    "BS_": re.compile(r"BS_\s*+:[^\n]*"),
    "VERSION": re.compile(rf"VERSION\s*+{STRING}"),
}
HEADS["NS_"] = re.compile(r"NS_\s*+:[^\n]*+(?:\n[ \t]*+\w*+[ \t]*+(?=\n|$))*+")
READ = GRAMMAR | HEADS
# A string that begins so was begun by a quotation mark too many, at the end of another one.
SWALLOWED = re.compile(r'"\s*;\s*\n')


@dataclass(frozen=True)
class Statement:
    """One statement; ``found`` is None where it is not what its keyword demands."""

    keyword: str  # empty for text that begins with none
    text: str
    start: int
    found: re.Match[str] | None
    at_end: bool = False  # nothing follows it


class DbcText:
    """A DBC text without its comments, and where its lines are."""

    def __init__(self, text: str) -> None:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
        # A comment becomes blanks, so that every line keeps its number.
        self.text = COMMENT.sub(lambda m: m[1] or "", text)

    @cached_property
    def _line_starts(self) -> list[int]:
        return [0, *accumulate(len(line) + 1 for line in self.text.split("\n"))]

    def line(self, place: int) -> int:
        """The number of the line at a place."""
        return bisect_right(self._line_starts, place)

    def statements(self) -> Iterator[Statement]:
        """All of them, in their order."""
        text, at = self.text, 0
        while (at := _skip(text, at)) < len(text):
            head = KEYWORD.match(text, at)
            keyword = head[0] if head else ""
            found = self._whole(keyword, at)
            end = found.end() if found else self._next(at)
            at_end = _skip(text, end) >= len(text)
            yield Statement(keyword, text[at:end], at, found, at_end)
            at = end

    def _whole(self, keyword: str, at: int) -> re.Match[str] | None:
        if not keyword:
            return None
        found = READ.get(keyword, PASSED).match(self.text, at)
        if not found or (found.groupdict().get("end", "") is None and not self._may_end(found)):
            return None
        if keyword in HEADS or not BEGIN.search(self.text, at + 1, found.end()):
            return found
        # A comment may quote statements; a quotation mark too many would swallow real ones.
        wrong = BEGIN.search if keyword in GRAMMAR else SWALLOWED.match
        return None if any(map(wrong, re.findall(STRING, found[0]))) else found

    def _may_end(self, found: re.Match[str]) -> bool:
        """Whether a statement without its semicolon is over: another begins, or the file ends."""
        at = _skip(self.text, found.end())
        return at >= len(self.text) or KEYWORD.match(self.text, at) is not None

    def _next(self, at: int) -> int:
        """Where the next statement begins, at the beginning of a later line."""
        line_end = self.text.find("\n", at)
        found = BEGIN.search(self.text, line_end) if line_end >= 0 else None
        return found.start() if found else len(self.text)


def _skip(text: str, at: int) -> int:
    found = SPACE.match(text, at)
    return found.end() if found else at


def unquoted(string: str) -> str:
    """What stands between quotation marks."""
    return string[1:-1].replace('\\"', '"')
