"""What can go wrong, one tree."""


class Error(Exception):
    """Everything that tickseam raises of its own; the message says what was found and what was expected."""


class ArgumentError(Error, ValueError):
    """An array or a number that does not fit: wrong type or length, out of range; names the array and the row."""


class DescriptionError(Error, ValueError):
    """A description of clocks, link and streams that cannot be; names the key."""


class RecordingError(Error):
    """A recording folder that cannot be read, or breaks the format; names file, line and column."""


class NotYetError(Error):
    """Nothing is known yet: fewer than two packets of the reference stream agree.

    Of an event: or the host's clock was set so often since that what was known then is forgotten.
    """
