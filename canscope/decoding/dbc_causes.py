"""Why a statement of a DBC file is not understood, and how it should look."""

from __future__ import annotations

import re

from canscope.decoding.dbc_statements import Statement

FORMS = {
    "BO_": "BO_ 291 Name: 8 Sender",
    "SG_": 'SG_ Name : 0|16@1+ (0.1,0) [0|100] "V" Receiver',
    "VAL_": 'VAL_ 291 Signal 0 "off" 1 "on" ;',
    "SIG_VALTYPE_": "SIG_VALTYPE_ 291 Signal : 1;",
    "SG_MUL_VAL_": "SG_MUL_VAL_ 291 Signal Multiplexer 0-3, 7-7;",
    "BA_": 'BA_ "GenMsgCycleTime" BO_ 291 20;',
    "BA_DEF_": 'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;',
    "BA_DEF_DEF_": 'BA_DEF_DEF_ "GenMsgCycleTime" 0;',
    "CM_": 'CM_ SG_ 291 Signal "text without quotation marks";',
}
# What people write, in the order in which it is looked for: (keyword, pattern, cause).
NUMBER = r"[-+]?\d+\.?\d*(?:[eE][-+]?\d+)?"
CAUSES = (
    ("SG_", r'^[^"]*"[^"\n]*$', "a quotation mark is missing"),
    ("SG_", r"^SG_\s+\w+\s+(?!(?:m\d+M?|M)\s*:)\w[^:\n]*:", "its name has a space in it"),
    ("SG_", r"^SG_\s+\d", "its name begins with a digit"),
    ("SG_", r"^SG_\s+[^:\n]*[^\w\s:][^:\n]*:", "its name has a character other than letters, "
     "digits and _"),
    ("SG_", r"^SG_\s+:", "it has no name"),
    ("SG_", r"^[^:]*$|^SG_\s+\w+\s*(?:m\d+M?|M)?\s*\d+\s*\|", "the colon after its name is "
     "missing"),
    ("SG_", rf"\(\s*{NUMBER},\d+\s*,|\(\s*{NUMBER}\s*,\s*{NUMBER},\d", "a number has a decimal "
     "comma"),
    ("SG_", r"[(,\[|]\s*[-+]?\.\d", "a number begins with a point"),
    ("SG_", r"@\s*[^01\s]", "its byte order is neither 0 (Motorola) nor 1 (Intel)"),
    ("SG_", r"@\s*[01]\s*[^-+\s]", "its sign (+ or -) is missing"),
    ("SG_", r"^[^(]*$", "factor and offset are missing"),
    ("SG_", r"^[^\[]*$", "its range is missing"),
    ("SG_", r'^[^"]*$', "its unit is missing"),
    ("BO_", r"^BO_\s+0[xX]", "its identifier is not a decimal number"),
    ("BO_", r"^BO_\s+\d+\s+\w+\s+\w[^:\n]*:", "its name has a space in it"),
    ("BO_", r"^BO_\s+\d+\s+\d", "its name begins with a digit"),
    ("BO_", r"^BO_\s+\d+\s+[^:\n]*[^\w\s:][^:\n]*:", "its name has a character other than letters, "
     "digits and _"),
    ("BO_", r"^BO_\s+\d+\s+\w+\s+\d", "the colon after its name is missing"),
    ("BO_", r"^BO_\s+\d+\s+\w+\s*:\s*(?!\d)", "its length is missing"),
    ("BO_", r"^BO_\s+\D", "its identifier is not a number"),
    ("VAL_", r"\b0[xX][0-9a-fA-F]+", "its codes are not decimal numbers"),
)  # fmt: skip


def cause_of(statement: Statement) -> tuple[str, str]:
    """What is wrong with a statement, and the form that it should have."""
    text, keyword = statement.text.strip(), statement.keyword
    quoted = text.split("\n", 1)[0].strip()
    quoted = quoted if len(quoted) <= 70 else f"{quoted[:67]} ..."
    if not keyword:
        return f"not a statement: {quoted!r}", "take it out, or begin it with // as a comment"
    form = FORMS.get(keyword, "")
    hint = f"the form is {form}" if form else "take it out, or end it with a semicolon"
    for about, pattern, cause in CAUSES:
        if about == keyword and re.search(pattern, text):
            return f"{_thing(keyword)} cannot be read: {cause}: {quoted!r}", hint
    if text.replace('\\"', "").count('"') % 2:
        cause = "a quotation mark is missing, or one stands inside the text"
        return f"{_thing(keyword)} cannot be read: {cause}: {quoted!r}", hint
    return f"{_thing(keyword)} cannot be read: {quoted!r}", hint


def _thing(keyword: str) -> str:
    names = {"SG_": "a signal", "BO_": "a message", "CM_": "a comment", "VAL_": "a value table"}
    return names.get(keyword, f"a {keyword} statement")
