"""Places events of a phone's clock on the sample timeline of a wireless headset, with an honest 95 % interval.

Session: live, packet by packet. replay(): a whole recording. read(): a recording folder. Description: what is known of clocks, link and
streams. Host times are int nanoseconds of one clock that never jumps; positive drift = the headset's clock runs fast against the phone's.

Not a medical device.
"""

from ._description import Description, DeviceClock, EventLatency, HostClock, Link, Stream
from ._errors import ArgumentError, DescriptionError, Error, NotYetError, RecordingError
from ._native import (
    NUMERICS_REVISION,
    Answer,
    ClockMap,
    Counters,
    DeviceInstant,
    DeviceInstants,
    Disposition,
    Gap,
    HostInstant,
    HostInstants,
    Knowledge,
    LinkDiagnosis,
    Placement,
    Refusal,
    Session,
    Sighting,
    State,
    __version__,
)
from ._replay import Recording, Replayed, read, replay

__all__ = [
    "NUMERICS_REVISION",
    "Answer",
    "ArgumentError",
    "ClockMap",
    "Counters",
    "Description",
    "DescriptionError",
    "DeviceClock",
    "DeviceInstant",
    "DeviceInstants",
    "Disposition",
    "Error",
    "EventLatency",
    "Gap",
    "HostClock",
    "HostInstant",
    "HostInstants",
    "Knowledge",
    "Link",
    "LinkDiagnosis",
    "NotYetError",
    "Placement",
    "Recording",
    "RecordingError",
    "Refusal",
    "Replayed",
    "Session",
    "Sighting",
    "State",
    "Stream",
    "__version__",
    "read",
    "replay",
]
