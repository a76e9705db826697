//! The promises themselves, asked of answers.

use std::fmt::Debug;

use tickseam::gaps::Gap;
use tickseam::intake::{CountClock, Intaken, PacketStamp};
use tickseam::map::{ClockMap, HostInstant};
use tickseam::placement::{Knot, Placement};
use tickseam::session::SessionCounters;
use tickseam_record::{Malformed, Place, ReadError};

use crate::{Checked, holds};

/// Rounding that sums of bounds may show, as a share of the values that went into them.
const ROUNDING: f64 = 1e-9;
/// Rounding where values are all but zero, µs.
const LEAST_ROUNDING_US: f64 = 1e-6;

/// Whether every number is one.
pub fn finite(what: &str, numbers: &[f64]) -> Checked {
    holds!(numbers.iter().all(|number| number.is_finite()), "{what}: not all of {numbers:?} are finite");
    Ok(())
}

/// Whether every uncertainty is finite and 0 or more.
pub fn uncertainties(what: &str, values: &[f64]) -> Checked {
    holds!(
        values.iter().all(|value| value.is_finite() && *value >= 0.0),
        "{what}: not all of {values:?} are uncertainties"
    );
    Ok(())
}

/// Whether an estimate lies within its bounds, to rounding.
pub fn ordered(what: &str, low: f64, estimate: f64, high: f64) -> Checked {
    let room = LEAST_ROUNDING_US + ROUNDING * (low.abs() + high.abs() + estimate.abs());
    holds!(
        low <= estimate + room && estimate <= high + room && low <= high + room,
        "{what}: {estimate} is not within {low} to {high}"
    );
    Ok(())
}

/// Whether two answers are the same, to the last bit as far as they are printed: all digits of every number.
pub fn same<T: Debug>(what: &str, one: &T, other: &T) -> Checked {
    let (one, other) = (format!("{one:?}"), format!("{other:?}"));
    holds!(one == other, "{what}: {one} is not {other}");
    Ok(())
}

/// Whether two answers without a fraction are the same: quicker than [`same`].
pub fn equal<T: Debug + PartialEq>(what: &str, one: &T, other: &T) -> Checked {
    holds!(one == other, "{what}: {one:?} is not {other:?}");
    Ok(())
}

/// Whether what is known at one device time, and its holdover, hang together.
pub fn known(knot: &Knot, holdover_us: f64) -> Checked {
    let Knot { at_s, offset_us, low_us, high_us, rate_ppm, rate_low_ppm, rate_high_ppm, .. } = *knot;
    finite(
        "knot",
        &[at_s, offset_us, low_us, high_us, rate_ppm, rate_low_ppm, rate_high_ppm, knot.covariance],
    )?;
    uncertainties(
        "knot",
        &[knot.u_offset_us, knot.u_rate_ppm, knot.curvature_us, knot.lattice_us, holdover_us],
    )?;
    ordered("offset, µs", low_us, offset_us, high_us)?;
    ordered("rate, ppm", rate_low_ppm, rate_ppm, rate_high_ppm)?;
    ordered("holdover, µs", 0.0, holdover_us, knot.half_width_us())
}

/// Whether a placement is one, and its budget adds up to its interval: `by_bounds` as a session's does, which is known by its bounds
/// alone, else as that of a replay.
pub fn placement(placed: &Placement, by_bounds: bool) -> Checked {
    let budget = &placed.budget;
    finite("placement, s", &[placed.device_s])?;
    uncertainties(
        "placement and its budget, µs",
        &[
            placed.u_us,
            placed.u95_us,
            budget.link_us,
            budget.statistics_us,
            budget.lattice_us,
            budget.curvature_us,
            budget.holdover_us,
            budget.fixed_delay_us,
            budget.resolution_us,
            budget.latency_us,
        ],
    )?;
    let parts = budget.statistics_us + budget.lattice_us + budget.curvature_us;
    ordered("parts of what the link leaves open, µs", parts, budget.link_us, parts)?;
    let whole = if by_bounds { budget.u95_at_edge_us() } else { budget.u95_us() };
    ordered("half-width against its budget, µs", whole, placed.u95_us, whole)
}

/// Whether an instant of the host has an uncertainty; farther than nanoseconds reach, one that may have no end.
pub fn host_instant(device_s: f64, instant: &HostInstant) -> Checked {
    let both = [instant.u_us, instant.u95_us];
    if device_s.abs() <= FARTHEST_S {
        return uncertainties("host instant", &both);
    }
    holds!(both.iter().all(|u| *u >= 0.0), "host instant of {device_s} s: {both:?} are no uncertainties");
    Ok(())
}

/// Steepest rate of a map that is asked, ppm: no clock that the library believes in runs so far off.
const STEEPEST_PPM: f64 = 60_000.0;
/// Device times at which nanoseconds still fit 64 bits, s (31 years).
const FARTHEST_S: f64 = 1e9;

/// Farthest that a device time may lie from where it was after going through the host's clock and back, s: a nanosecond for the host's
/// whole one and one for the sum, and what binary seconds leave.
#[must_use]
pub fn round_trip_s(device_s: f64, host_s: f64) -> f64 {
    2e-9 + 2e-15 * (device_s.abs() + host_s.abs())
}

/// Whether a clock map is one: every number finite, every uncertainty one, later on the device later on the host, and back again to the
/// bound of [`round_trip_s`]; the map turned round says the same.
pub fn map(map: &ClockMap) -> Checked {
    finite(
        "map",
        &[
            map.frame.counts_per_s,
            map.at_s,
            map.offset_us,
            map.rate_ppm,
            map.covariance,
            map.valid_from_s,
            map.valid_to_s,
            map.drift_ppm(),
        ],
    )?;
    uncertainties(
        "map",
        &[map.u_offset_us, map.u_rate_ppm, map.half_width_us, map.growth_ppm, map.curvature_ppm_per_s],
    )?;
    holds!(map.frame.counts_per_s > 0.0, "map: {} counts a second", map.frame.counts_per_s);
    ordered("stretch of a map, s", map.valid_from_s, map.valid_from_s, map.valid_to_s)?;
    if map.rate_ppm.abs() > STEEPEST_PPM {
        return Ok(());
    }
    let (from, to) = (map.valid_from_s, map.valid_to_s);
    let mut before: Option<HostInstant> = None;
    let inverted = map.inverted();
    for device_s in [from - 86_400.0, from, f64::midpoint(from, to), to, to + 1.0, to + 3_600.0] {
        let there = map.host_at_s(device_s);
        host_instant(device_s, &there)?;
        if let Some(before) = before {
            holds!(before.host_ns <= there.host_ns, "map: {} comes before {}", there.host_ns, before.host_ns);
        }
        before = Some(there);
        let host_s = map.frame.host_us(there.host_ns) * 1e-6;
        if device_s.abs() > FARTHEST_S || host_s.abs() > FARTHEST_S {
            continue;
        }
        let back = map.device_at(there.host_ns);
        finite("device instant, s", &[back.device_s])?;
        uncertainties("device instant", &[back.u_us, back.u95_us])?;
        let (off, bound) = ((back.device_s - device_s).abs(), round_trip_s(device_s, host_s));
        holds!(
            off <= bound,
            "map: {device_s} s comes back as {} s, off by {off}, not {bound}",
            back.device_s
        );
        // The map turned round counts the host in nanoseconds, and gives the device's time since the origin.
        let turned = inverted.host_at(there.host_ns);
        let off = (turned.host_ns as f64 * 1e-9 - device_s).abs();
        let bound = bound + 2e-9;
        holds!(off <= bound, "map turned round: {device_s} s is off by {off}, not {bound}");
    }
    Ok(())
}

/// Calls that were made on a session.
#[derive(Clone, Copy, Debug, Default)]
pub struct Calls {
    /// Packets observed.
    pub packets: u64,
    /// Exchanges observed, and those of them that were answered as used.
    pub exchanges: (u64, u64),
    /// Markers, likewise.
    pub markers: (u64, u64),
}

/// Whether the counters add up to the calls.
pub fn counters(counters: &SessionCounters, calls: &Calls) -> Checked {
    let sum = counters.intake.calls();
    holds!(sum == calls.packets, "counters: {sum} packets, {} were observed", calls.packets);
    for (what, used, refused, (made, answered)) in [
        ("exchanges", counters.exchanges_used, counters.exchanges_refused, calls.exchanges),
        ("markers", counters.markers_used, counters.markers_refused, calls.markers),
    ] {
        holds!(
            used == answered && used + refused == made,
            "counters: {used} {what} used and {refused} refused; of {made}, {answered} were answered as used"
        );
    }
    let waited = counters.intake.ambiguous + counters.intake.quarantined;
    let settling = &counters.settling;
    holds!(
        settling.never_settled + settling.forgotten <= calls.packets && counters.wild <= calls.packets,
        "counters: more than {} packets in {counters:?} ({waited} waited)",
        calls.packets
    );
    Ok(())
}

/// Whether a position shows the counters of the stamp that it was given for.
pub fn answer(intaken: &Intaken, stamp: &PacketStamp, sequence_bits: u8, tick_bits: Option<u8>) -> Checked {
    let Some(at) = intaken.resolved else { return Ok(()) };
    let shows = |count: i64, bits: u8, raw: u64| (count.cast_unsigned() ^ raw) << (64 - u32::from(bits)) == 0;
    holds!(
        shows(at.index, sequence_bits, stamp.sequence),
        "{at:?} does not show sequence number {}",
        stamp.sequence
    );
    if let (CountClock::Ticks, Some(bits), Some(tick)) = (at.clock, tick_bits, stamp.tick) {
        holds!(shows(at.device, bits, tick), "{at:?} does not show tick {tick}");
    }
    Ok(())
}

/// Whether the gaps of a stream, listed one after the other, are apart, ascending and no more than are missing.
pub fn gaps(listed: &[Gap], missing: u64) -> Checked {
    for pair in listed.windows(2) {
        if let [one, next] = pair {
            holds!(
                one.last_index() < next.first_index.saturating_sub(1),
                "gaps: {one:?} is not apart from {next:?}"
            );
        }
    }
    let sum = listed.iter().fold(0_u64, |sum, gap| sum.saturating_add(gap.count));
    holds!(listed.iter().all(|gap| gap.count > 0), "gaps: one of {listed:?} misses nothing");
    holds!(sum <= missing, "gaps: {sum} packets listed, {missing} missing");
    Ok(())
}

/// Longest message that a fault in a file may make, bytes: it repeats 32 characters of the file, each escaped to ten at the most.
const LONGEST_MESSAGE: usize = 1_500;

/// Whether a fault names its file and, in a text, a line that the file has; `lines` is `None` for a file that has none.
pub fn malformed(fault: &Malformed, file: &str, lines: Option<u64>) -> Checked {
    let words = fault.to_string();
    holds!(fault.file == file && words.starts_with(file), "{words:?} does not name {file:?}");
    holds!(!fault.found.is_empty() && !fault.expected.is_empty(), "{words:?} does not say what was expected");
    holds!(words.len() <= LONGEST_MESSAGE, "a message of {} bytes: {words:?}", words.len());
    if let Some(lines) = lines {
        holds!(
            (1..=lines).contains(&fault.line) && words.contains(&format!(" line {}", fault.line)),
            "{words:?} does not name one of {lines} lines"
        );
    } else {
        let of_a_row = matches!(fault.place, Place::Cell { .. });
        holds!(of_a_row == (fault.line > 0), "{words:?} names row {}", fault.line);
        holds!(
            !of_a_row || words.contains(&format!(" row {}", fault.line)),
            "{words:?} does not name its row"
        );
    }
    Ok(())
}

/// The file of a folder that was written, by its name and its lines, where it has any.
#[derive(Clone, Debug)]
pub struct Written {
    /// Its name.
    pub file: &'static str,
    /// Lines that it has, the one after a last line end included; `None` for a file of bytes.
    pub lines: Option<u64>,
}

impl Written {
    /// A text.
    #[must_use]
    pub fn text(file: &'static str, bytes: &[u8]) -> Self {
        let ends = bytes.iter().filter(|byte| **byte == b'\n').count();
        Self { file, lines: Some(u64::try_from(ends).unwrap_or(u64::MAX).saturating_add(1)) }
    }
}

/// Whether an error of reading a folder says in which of its files it is, and where.
pub fn read_error(error: &ReadError, written: &[Written]) -> Checked {
    let ReadError::Malformed(fault) = error else {
        return Err(crate::Broken::new(format!("the files are there, and yet: {error}")));
    };
    match written.iter().find(|of| of.file == fault.file) {
        Some(of) => malformed(fault, of.file, of.lines),
        None => Err(crate::Broken::new(format!("{fault} names none of {written:?}"))),
    }
}

#[cfg(test)]
mod tests;
