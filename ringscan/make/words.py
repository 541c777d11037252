"""The words of one line of G-code, and what the line amounts to by itself.

After the standard that `gcode.py` names: letter case and blanks do not matter, comments stand in
parentheses. Common practice adds comments after ``;``, a line checksum after ``*``, and axes that
are named without numbers after G28.
"""

from __future__ import annotations

import re

_WORD = re.compile(r"([A-Z])([-+]?(?:\d+\.?\d*|\.\d+))")
_ONLY_WORDS = re.compile(r"(?:[A-Z][-+]?(?:\d+\.?\d*|\.\d+))+")
_PARENTHESES = re.compile(r"\([^)]*\)")
_HOMES = re.compile(r"(?:N\d+)?G0*(?:28|30)(?![\d.])[A-Z\d.+-]*")
_BARE_LETTER = re.compile(r"([A-Z])(?=[A-Z]|$)")
_MOTION_START = re.compile(
    r"(?:N\d+)?(?:G0*(?:[0-35]|20|21|53|90|91|92)(?!\d)|[XYZ][-+\d.#\[]|#|O\d)"
)
"""Begin of a line that moves, or says how the next ones are to be read."""
STANDARD_M = frozenset({0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 30, 48, 49, 60})
"""M words that the standard defines; a line with another one keeps its words to itself."""
DWELL = 4
DISTURBING_M = frozenset({0, 1, 2, 30, 60, 82, 83})
"""They stop or end the program, change a pallet, or (common practice) say how E is to be read."""
ABSOLUTE_E, RELATIVE_E = ("M", 82.0), ("M", 83.0)
"""How E counts; common practice, not of the standard."""

Words = list[tuple[str, float]]


def parse_line(text: str) -> Words | None:
    """Return the words of a line as (letter, number); None if it holds anything else.

    An empty line, or one of comments only, has no words: ``[]``.
    """
    text = text.partition(";")[0]
    if "(" in text:
        text = _PARENTHESES.sub("", text)
    text = "".join(text.split()).upper().partition("*")[0]
    if not text or text == "%":
        return []
    text = text.removeprefix("/")
    if _HOMES.fullmatch(text):  # common practice names the axes without numbers
        text = _BARE_LETTER.sub(r"\g<1>0", text)
    if _ONLY_WORDS.fullmatch(text):
        return [(letter, float(number)) for letter, number in _WORD.findall(text)]
    return None


def starts_to_move(line: str) -> bool:
    """Whether a line that holds more than words begins as one that moves or sets how to read."""
    return _MOTION_START.match("".join(line.partition(";")[0].split()).upper()) is not None


def disturbs(line: str) -> bool:
    """Whether a line may move the machine, change how moves are read or how fast they go, or end
    the program: all that is not a command of another kind.
    """
    words = parse_line(line)
    if words is None:
        return starts_to_move(line)
    letters = {letter for letter, _ in words} - {"N"}
    if any(letter == "G" and value != DWELL for letter, value in words) or "T" in letters:
        return True
    codes = {value for letter, value in words if letter == "M"}
    if codes & DISTURBING_M:
        return True
    own = bool(codes - STANDARD_M) or "G" in letters
    return not own and bool(letters - {"M", "S", "P"})


def homes(line: str) -> frozenset[str]:
    """Axes that a line sends to their stored place (G28, G30), of X, Y and Z."""
    words = parse_line(line) or []
    if not any(letter == "G" and value in (28, 30) for letter, value in words):
        return frozenset()
    named = frozenset(letter for letter, _ in words) & frozenset("XYZ")
    return named or frozenset("XYZ")


def without_comment(line: str) -> str:
    """What of a line a machine takes for more than a comment."""
    text = line.partition(";")[0].strip()
    return "" if text.startswith("(") and text.endswith(")") else text
