"""The command line run in this process: exit status and what was printed."""

import pytest

from ringscan.cli import main

PLAN, PHOTO, SHEET, FACE, OUTPUT = 3, 4, 5, 6, 7


class Run:
    """Exit status and what was printed."""

    def __init__(self, capsys, *arguments: object) -> None:
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main([str(a) for a in arguments])
        self.status = ended.value.code
        self.out, self.err = capsys.readouterr()

    def error(self) -> str:
        """The one line of an error; nothing else may have been printed."""
        assert self.out == ""
        assert self.err.startswith("ringscan: ")
        assert self.err.count("\n") == 1
        assert self.err.endswith("\n")
        return self.err.removeprefix("ringscan: ").rstrip("\n")
