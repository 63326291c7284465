"""The errors a user can meet. Each says what was got, where, and what to do; the commands print it as one line."""


class StumblelogError(Exception):
    """Base of every error raised on purpose; the commands turn it into one line and exit code 2."""


class SettingsError(StumblelogError, ValueError):
    """A settings file or an option is wrong: names the file, the key and what is allowed."""


class CaptureError(StumblelogError, ValueError):
    """A capture folder cannot be taken in: names the file and, where there is one, the line."""


class StoreError(StumblelogError, OSError):
    """A file of the store is missing, damaged, of a newer version, or not ours."""


class UnreadableError(StoreError):
    """A recording of an event turned out damaged while it was read; `recording` is its name in the event."""

    def __init__(self, recording: str, why: str) -> None:
        super().__init__(why)
        self.recording = recording


class SensorError(StumblelogError, OSError):
    """A sensor did not answer or answered nonsense: the world's fault, not the caller's."""


class AnalysisError(StumblelogError, ValueError):
    """The analysis was given arrays or an engine description that it cannot work with."""


class CalibrationError(StumblelogError, ValueError):
    """The points of a calibration make no sense: says which, why, and what to do."""
