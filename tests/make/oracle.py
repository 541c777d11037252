"""A second reading of plain G-code, for tests only, written from the standard.

After NISTIR 6556 (RS274/NGC), section 3: words are a letter and a number; blanks and case do
not matter; G0/G1 are modal, G90/G91 set the distance mode, G20/G21 the unit, F counts per
minute. It shares no code with the package and takes one character at a time. E is relative.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass
class Step:
    line: int
    start: tuple[float, float, float]
    end: tuple[float, float, float]
    e: float
    feed_per_minute: float


def words_of(line: str) -> list[tuple[str, float]]:
    kept, depth = [], 0
    for character in line:
        if character == ";" and depth == 0:
            break
        if character == "(":
            depth += 1
        elif character == ")":
            depth -= 1
        elif depth == 0 and not character.isspace():
            kept.append(character.upper())
    words: list[tuple[str, float]] = []
    letter, digits = "", ""
    for character in [*kept, "A"]:
        if character.isalpha():
            if letter:
                words.append((letter, float(digits)))
            letter, digits = character, ""
        else:
            digits += character
    return words


def steps_of(text: str) -> list[Step]:
    at = {"X": 0.0, "Y": 0.0, "Z": 0.0}
    relative, unit, feed, motion = False, 1.0, 0.0, 0
    steps = []
    for number, line in enumerate(text.splitlines(), 1):
        words = words_of(line)
        moved, e = {}, 0.0
        for letter, value in words:
            if letter == "G" and value in (0, 1):
                motion = int(value)
            elif letter == "G" and value in (90, 91):
                relative = value == 91
            elif letter == "G" and value in (20, 21):
                unit = 25.4 if value == 20 else 1.0
            elif letter == "G" and value == 28:
                at = dict.fromkeys(at, 0.0)
            elif letter == "F":
                feed = value * unit
            elif letter == "E":
                e = value * unit
            elif letter in at:
                moved[letter] = value * unit
            else:
                raise AssertionError(f"the test's reader does not know {letter}{value}")
        if not moved and not e:
            continue
        assert motion in (0, 1)
        start = (at["X"], at["Y"], at["Z"])
        for letter, value in moved.items():
            at[letter] = at[letter] + value if relative else value
        steps.append(Step(number, start, (at["X"], at["Y"], at["Z"]), e, feed))
    return steps
