"""Amount of output of the running command; a process runs one command."""

from dataclasses import dataclass


@dataclass
class Verbosity:
    """Options `--quiet` and `--verbose` of the running command.

    Attributes:
        is_quiet: print the result and errors alone.
        is_verbose: print also which workspace is used, the start of each stage, and where an internal error occurred.
    """

    is_quiet: bool = False
    is_verbose: bool = False

    def reset(self) -> None:
        """Return to the usual amount of output."""
        self.is_quiet = self.is_verbose = False


VERBOSITY = Verbosity()
