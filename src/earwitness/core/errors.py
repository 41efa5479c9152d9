"""The errors a user can meet; each text says what was given, what is allowed, what to do."""

from __future__ import annotations


class EarwitnessError(Exception):
    """Root of all errors that are the input's or the caller's, not a bug."""


class SourceError(EarwitnessError):
    """A recording or receiver cannot be read."""


class ParameterError(EarwitnessError, ValueError):
    """A caller gave a value outside what is allowed."""


class LayoutError(EarwitnessError, ValueError):
    """A record does not fit its declared bit layout."""


class LogError(EarwitnessError):
    """The station's log or evidence cannot be read or written."""


class StorageError(LogError):
    """The disk or the database refused while working: full, locked, failing. What was logged stays."""
