"""What is known of the two clocks, the link and the streams: recording.toml as Python values."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from . import _native
from ._errors import DescriptionError, RecordingError


@dataclass(frozen=True, kw_only=True)
class DeviceClock:
    """The device's counter and crystal.

    tick_hz: nominal rate of the counter that the device stamps with, Hz, above 0; given together with tick_bits, or None for both where
    the device stamps nothing: then its sample count is the clock.
    tick_bits: the counter wraps at 2**tick_bits; 16 to 64.
    tolerance_ppm: half-width of the crystal's rate tolerance, ppm, above 0.
    """

    tick_hz: float | None = None
    tick_bits: int | None = None
    tolerance_ppm: float = 100.0


@dataclass(frozen=True, kw_only=True)
class HostClock:
    """The clock of the phone's stamps.

    resolution_ns: step of the host stamps, ns, above 0: a stamp is the clock rounded down to it.
    """

    resolution_ns: float = 1.0


@dataclass(frozen=True, kw_only=True)
class Link:
    """What is known of the way from device to host; None where nobody knows it.

    fixed_delay_ms: smallest possible time from a packet's first sample to its host stamp, ms, 0 or more; positive: the stamp is later.
    fixed_delay_u_ms: its standard uncertainty (GUM), ms, 0 or more.
    connection_interval_ms: connection interval, ms, above 0; None lets it be found.
    """

    fixed_delay_ms: float | None = None
    fixed_delay_u_ms: float | None = None
    connection_interval_ms: float | None = None


@dataclass(frozen=True, kw_only=True)
class Stream:
    """One stream of samples.

    name: text, unique, that can be a file name. rate_hz: nominal sample rate, Hz, above 0. samples_per_packet: usual number of samples in
    a packet, 1 to 65535. sequence_bits: the packet sequence number wraps at 2**sequence_bits; 8 to 32.
    """

    name: str
    rate_hz: float
    samples_per_packet: int
    sequence_bits: int


@dataclass(frozen=True, kw_only=True)
class EventLatency:
    """From an event's host stamp to the physical event.

    latency_ms: ms; positive where the physical event comes after its stamp (a screen), negative where before (a tap).
    latency_u_ms: its standard uncertainty, ms, 0 or more.
    """

    latency_ms: float
    latency_u_ms: float


@dataclass(frozen=True, kw_only=True)
class Description:
    """What is known before the first packet, by the keys of recording.toml.

    stream: the streams, at least one; the first is the reference stream, on whose samples events are placed.
    device_clock, host_clock, link: see there. event_latency: for each event label, from the host stamp to the physical event.

    Raises DescriptionError, naming the key, for what the reader of recording.toml refuses too.
    """

    stream: Sequence[Stream]
    device_clock: DeviceClock = field(default_factory=DeviceClock)
    host_clock: HostClock = field(default_factory=HostClock)
    link: Link = field(default_factory=Link)
    event_latency: Mapping[str, EventLatency] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "stream", tuple(self.stream))
        object.__setattr__(self, "event_latency", dict(self.event_latency))
        object.__setattr__(self, "_native", _native.Described(self.to_dict()))

    def __reduce__(self) -> tuple[Any, ...]:
        return Description.from_dict, (self.to_dict(),)

    def to_dict(self) -> dict[str, Any]:
        """The same as nested dicts and lists with the keys of recording.toml; what is not known is left out."""
        whole = {
            "device_clock": _known(self.device_clock),
            "host_clock": _known(self.host_clock),
            "link": _known(self.link),
            "stream": [_known(stream) for stream in self.stream],
        }
        if self.event_latency:
            whole["event_latency"] = {label: _known(latency) for label, latency in self.event_latency.items()}
        return whole

    @classmethod
    def from_dict(cls, known: Mapping[str, Any]) -> Description:
        """From nested dicts and lists with the keys of recording.toml. Raises DescriptionError, also for a key that is not known."""
        return cls._of(_native.Described(dict(known)))

    @classmethod
    def from_toml(cls, text: str) -> Description:
        """From the text of recording.toml; keys of later versions are passed over. Raises DescriptionError with line and key."""
        return cls._of(_native.Described.from_toml(text)[0])

    @classmethod
    def read(cls, path: str | os.PathLike[str]) -> Description:
        """From a file such as recording.toml. Raises RecordingError (no such file, no text), DescriptionError."""
        try:
            with open(path, encoding="utf-8") as file:
                text = file.read()
        except (OSError, UnicodeDecodeError) as error:
            raise RecordingError(f"{os.fspath(path)}: cannot be read: {error}") from error
        return cls.from_toml(text)

    def to_toml(self) -> str:
        """The text of recording.toml that says all this."""
        return native(self).to_toml()

    @classmethod
    def _of(cls, described: _native.Described) -> Description:
        known = json.loads(described.to_json())
        return cls(
            stream=[Stream(**stream) for stream in known["stream"]],
            device_clock=DeviceClock(**known["device_clock"]),
            host_clock=HostClock(**known["host_clock"]),
            link=Link(**known["link"]),
            event_latency={label: EventLatency(**value) for label, value in known.get("event_latency", {}).items()},
        )


def _known(part: Any) -> Any:
    if isinstance(part, (DeviceClock, HostClock, Link, Stream, EventLatency)):
        return {name: value for name, value in asdict(part).items() if value is not None}
    return part


def native(description: Any) -> _native.Described:
    """The checked description behind a Description or a dict."""
    if isinstance(description, _native.Described):
        return description
    if isinstance(description, Description):
        checked = description.__dict__["_native"]
        assert isinstance(checked, _native.Described)
        return checked
    if isinstance(description, Mapping):
        return _native.Described(dict(description))
    raise DescriptionError(f"description: found a {type(description).__name__}, expected a Description or a dict")
