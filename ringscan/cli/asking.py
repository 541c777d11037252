"""Values for a command: from flags, or asked for in a terminal."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from ringscan.cli.complain import say
from ringscan.errors import OptionError, why

if TYPE_CHECKING:
    from ringscan.plan import Axis, Family


class Questions:
    """Values from flags, else asked in a terminal; without a terminal all are named at once.

    What a flag says is checked at once, so that no answers are given in vain, but where values are
    missing: checks may rest on them. An answer is asked for again while its check raises
    OptionError or typer.BadParameter.
    """

    def __init__(self) -> None:
        self._asks = sys.stdin is not None and sys.stdin.isatty()
        self._missing: list[str] = []

    def text(
        self,
        flag: str,
        given: str | None,
        question: str,
        default: str | None = None,
        *,
        check: Callable[[str], object] = str,
    ) -> str:
        """A text, or its default."""
        if given is not None:
            if not self._missing:
                check(given)
            return given
        if self._asks:
            return _ask_until(question, default, check)
        if default is None:
            self._missing.append(flag)
        return default or ""

    def number(
        self,
        flag: str,
        given: float | None,
        question: str,
        default: float | None = None,
        *,
        check: Callable[[float], object] = float,
    ) -> float:
        """A number from 0 up, or its default."""
        if given is None and self._asks:
            return _ask_number(question, default, check)
        if given is not None:
            _from_zero_up(given, flag)
            if not self._missing:
                check(given)
            return given
        if default is None:
            self._missing.append(flag)
            return 1.0
        return default

    def pair(
        self,
        flag: str,
        given: str | None,
        question: str,
        sign: str,
        default: str | None = None,
        *,
        check: Callable[[float, float], object],
    ) -> tuple[float, float]:
        """Two numbers with a sign between them."""

        def check_both(answer: str) -> None:
            check(*two_numbers(answer, sign, flag))

        text = self.text(flag, given, question, default, check=check_both)
        return two_numbers(text, sign, flag) if text else (1.0, 1.0)

    def done(self) -> None:
        """Complain of all that is missing at once."""
        if self._missing:
            raise typer.BadParameter(f"give {', '.join(self._missing)}, or run in a terminal")


def _ask(question: str, default: str | None) -> str:
    """Ask on stderr until there is an answer: stdout is for results."""
    while True:
        say(question + (f" [{default}]" if default else ""), end=": ")
        if not (line := sys.stdin.readline()):
            raise typer.Abort
        if answer := line.strip() or default:
            return answer


def _ask_until(question: str, default: str | None, check: Callable[[str], object]) -> str:
    """Ask until `check` does not complain."""
    while True:
        answer = _ask(question, default)
        try:
            check(answer)
        except typer.BadParameter as exc:
            say(exc.message)
        except OptionError as exc:
            say(exc)
        else:
            return answer


def _ask_number(question: str, default: float | None, check: Callable[[float], object]) -> float:
    shown = None if default is None else f"{default:g}"
    return float(
        _ask_until(question, shown, lambda text: check(_from_zero_up(_number(text), None)))
    )


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError as exc:
        raise typer.BadParameter(
            f"{text!r} is not a number with a decimal point, like 0.4, and no unit"
        ) from exc


def _from_zero_up(number: float, flag: str | None) -> float:
    if not 0 <= number < float("inf"):
        raise typer.BadParameter(f"{number:g} is not a number from 0 up", param_hint=flag)
    return number


def check_label(text: str) -> None:
    """Complain of what is no tower's label."""
    from ringscan.plan import LABEL_PATTERN

    if not re.search(LABEL_PATTERN, text):
        raise typer.BadParameter(f"{text!r} is not 1 to 12 of A-Z, 0-9 and '-'")


def two_numbers(text: str, sign: str, flag: str) -> tuple[float, float]:
    """Two numbers with a sign between them; × serves as x."""
    parts = text.lower().replace("×", "x").split(sign)
    try:
        a, b = (float(part) for part in parts)
    except ValueError as exc:
        raise typer.BadParameter(
            f"{text!r} is not two numbers like 20{sign}60", param_hint=flag
        ) from exc
    return a, b


def read_axes(text: str) -> tuple[Axis, ...]:
    """Axes by their letters, in order."""
    from ringscan.plan import AXES

    letters = set(text.lower().replace(",", "").replace(" ", ""))
    if not letters or letters - set(AXES):
        raise typer.BadParameter(f"{text!r} is not x, y or xy", param_hint="--axes")
    return tuple(axis for axis in AXES if axis in letters)


def read_families(text: str) -> tuple[Family, ...]:
    """Shaper families by their names, separated by commas."""
    from ringscan.plan import Family

    return tuple(
        choice(Family, part.strip().upper(), "--families") for part in text.split(",") if part
    )


def choice(kind: Any, text: str, flag: str) -> Any:
    """Member of an enumeration by its value."""
    try:
        return kind(text)
    except ValueError as exc:
        raise typer.BadParameter(
            f"{text!r} is not one of {', '.join(kind)}", param_hint=flag
        ) from exc


def text_or_file(text: str | None, path: Path | None, flag: str) -> str | None:
    """A text given outright, or in a file."""
    if text is not None and path is not None:
        raise typer.BadParameter(f"give {flag} or {flag}-file, not both")
    return text if path is None else read_text(path)


def read_text(path: Path) -> str:
    """Text of a user's file. Raises OptionError."""
    try:
        return path.read_text(encoding="utf-8-sig")
    except (OSError, ValueError) as exc:
        raise OptionError(f"{path}: cannot be read: {why(exc)}") from exc
