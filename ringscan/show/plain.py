"""Text that cannot break a line or steer a terminal, whatever a file's name holds."""

from __future__ import annotations


def one_line(text: object) -> str:
    """Escape the characters that would."""
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in str(text))
