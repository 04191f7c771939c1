"""Every exception of the package. Messages say what, what was found, what is allowed, and where."""


class TerrainError(Exception):
    """Root of all errors that a user can cause; the command line prints them in one line and exits with 1."""


class ReadError(TerrainError, OSError):
    """A file is missing, unreadable, or not of the format it claims."""

    def __str__(self) -> str:
        """Return the message as given (OSError would print a tuple for two arguments)."""
        return " ".join(str(part) for part in self.args)


class ConfigError(TerrainError, ValueError):
    """A survey or foot-profile key is unknown, missing or out of range."""


class DataError(TerrainError, ValueError):
    """Points, poses or placements that cannot be worked with."""


class FrameError(TerrainError, ValueError):
    """Frames that do not fit together, or a rotation that is none."""


class MissingSystemLibraryError(TerrainError, ImportError):
    """A library of the operating system is missing; the message names the packages that bring it."""
