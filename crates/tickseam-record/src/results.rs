//! What an alignment found: `events.tsv`, `gaps.csv`, `alignment.json`.

use std::io::{self, Write};

use serde::{Deserialize, Serialize};

/// Whether an event has a place on the sample timeline.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Status {
    /// It has, and the samples there were received.
    Placed,
    /// The time is known, the samples there were lost.
    InGap,
    /// It lies before the first or after the last sample.
    Outside,
    /// No clock map could be made.
    Unplaced,
}

impl Status {
    /// The word in `events.tsv`.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Placed => "placed",
            Self::InGap => "in-gap",
            Self::Outside => "outside",
            Self::Unplaced => "unplaced",
        }
    }
}

/// One row of `events.tsv`. A missing or non-finite number is written `n/a`.
#[derive(Clone, Debug, PartialEq)]
pub struct EventRow {
    /// Seconds on the device's own timeline from the segment's first sample of the reference stream.
    pub onset_s: Option<f64>,
    /// How long the event lasted, seconds.
    pub duration_s: Option<f64>,
    /// The event's label, written as `trial_type`.
    pub label: String,
    /// Onset × nominal rate of the reference stream, with its fraction.
    pub sample: Option<f64>,
    /// The event's stamp on the host's clock, nanoseconds.
    pub host_ns: i64,
    /// Segment, counted from 0.
    pub segment: Option<u32>,
    /// Half-width of the 95 % interval of the placement, milliseconds, everything counted.
    pub u95_ms: Option<f64>,
    /// Whether it has a place.
    pub status: Status,
    /// Onset as the causal estimator said it, seconds.
    pub live_onset_s: Option<f64>,
    /// Half-width of the causal estimator's 95 % interval, milliseconds.
    pub live_u95_ms: Option<f64>,
    /// The place in each further stream, samples; in the order of [`EventsTable::further_streams`].
    pub further_samples: Vec<Option<f64>>,
    /// True where nobody knows the link's fixed delay: the onset is then too early by it, and `u95_ms` does not count it.
    pub excludes_fixed_delay: bool,
}

/// All of `events.tsv`, a BIDS events file.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct EventsTable {
    /// Names of the streams after the reference stream; each adds a column `sample_<name>`.
    pub further_streams: Vec<String>,
    /// The events, in the order to be written.
    pub rows: Vec<EventRow>,
}

impl EventsTable {
    /// Writes the table: onsets with nine decimals (nanoseconds), samples, durations and `u95` with six.
    ///
    /// A tab-separated file has no way to quote. So in a label each control character and line separator becomes a space, and each `"`
    /// becomes `'`, since readers that know quotes would swallow what follows. An empty label becomes `n/a`.
    ///
    /// The last column, `excludes`, names what the row's onset and `u95_ms` leave out: `fixed-delay`, or `n/a` for nothing.
    pub fn write(&self, out: &mut dyn Write) -> io::Result<()> {
        write!(
            out,
            "onset\tduration\ttrial_type\tsample\thost_ns\tsegment\tu95_ms\tstatus\tlive_onset\tlive_u95_ms"
        )?;
        for name in &self.further_streams {
            write!(out, "\tsample_{}", tab_field(name))?;
        }
        writeln!(out, "\texcludes")?;
        for row in &self.rows {
            write!(
                out,
                "{}\t{}\t{}\t{}\t{}\t{}\t{}\t{}\t{}\t{}",
                decimal(row.onset_s, 9),
                decimal(row.duration_s, 6),
                tab_field(&row.label),
                decimal(row.sample, 6),
                row.host_ns,
                row.segment.map_or_else(|| MISSING.to_owned(), |segment| segment.to_string()),
                decimal(row.u95_ms, 6),
                row.status.as_str(),
                decimal(row.live_onset_s, 9),
                decimal(row.live_u95_ms, 6),
            )?;
            for index in 0..self.further_streams.len() {
                write!(out, "\t{}", decimal(row.further_samples.get(index).copied().flatten(), 6))?;
            }
            writeln!(out, "\t{}", if row.excludes_fixed_delay { "fixed-delay" } else { MISSING })?;
        }
        Ok(())
    }
}

/// A stretch of samples that never came: one row of `gaps.csv`.
#[derive(Clone, Debug, PartialEq)]
pub struct Gap {
    /// Name of the stream.
    pub stream: String,
    /// Segment, counted from 0.
    pub segment: u32,
    /// Sequence number of the first missing packet, unwrapped: turns of the counter included.
    pub first_missing_sequence: i64,
    /// Packets missing, 1 or more.
    pub packets_missing: u64,
    /// First missing sample, counted from 0 at the segment's first sample of the stream.
    pub first_missing_sample: i64,
    /// Samples missing.
    pub samples_missing: u64,
    /// Where the gap begins, seconds on the timeline of `onset`.
    pub onset_s: Option<f64>,
    /// How long it is at the nominal rate, seconds.
    pub duration_s: Option<f64>,
    /// Host stamp of the last packet before the gap, nanoseconds.
    pub host_before_ns: Option<i64>,
    /// Host stamp of the first packet after the gap, nanoseconds.
    pub host_after_ns: Option<i64>,
}

/// Writes `gaps.csv`; a missing number is an empty field.
pub fn write_gaps(gaps: &[Gap], out: &mut dyn Write) -> io::Result<()> {
    writeln!(
        out,
        "stream,segment,first_missing_sequence,packets_missing,first_missing_sample,samples_missing,onset_s,\
         duration_s,host_before_ns,host_after_ns"
    )?;
    let or_empty = |number: Option<i64>| number.map_or_else(String::new, |number| number.to_string());
    for gap in gaps {
        writeln!(
            out,
            "{},{},{},{},{},{},{},{},{},{}",
            crate::recording::csv_field(&gap.stream),
            gap.segment,
            gap.first_missing_sequence,
            gap.packets_missing,
            gap.first_missing_sample,
            gap.samples_missing,
            fixed(gap.onset_s, 9).unwrap_or_default(),
            fixed(gap.duration_s, 9).unwrap_or_default(),
            or_empty(gap.host_before_ns),
            or_empty(gap.host_after_ns),
        )?;
    }
    Ok(())
}

/// Version of the layout of `alignment.json`: raised when a key changes its meaning or goes away, not when one is added.
pub const ALIGNMENT_VERSION: u32 = 1;

/// All of `alignment.json`. A number that is not known is `null`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Alignment {
    /// Version of this layout: [`ALIGNMENT_VERSION`].
    pub version: u32,
    /// Version of the software.
    pub tickseam: String,
    /// Revision of the numerics: equal revisions give equal numbers for equal inputs.
    pub numerics_revision: u32,
    /// The files that were read.
    pub inputs: Vec<InputFile>,
    /// What was passed over while reading.
    pub notes: Vec<String>,
    /// What came and what did not, per stream.
    pub streams: Vec<StreamSummary>,
    /// One for each stretch between restarts of the device's counters.
    pub segments: Vec<SegmentSummary>,
    /// How many events have which status.
    pub events: EventCounts,
    /// The result in sentences.
    pub words: Vec<String>,
    /// Whether it serves its purpose; `null` without events.
    #[serde(default)]
    pub verdict: Option<Verdict>,
    /// The error that was made, where the truth is known (simulation).
    pub error_against_truth: Option<ErrorAgainstTruth>,
}

impl Alignment {
    /// Writes the JSON text, indented, with a line end at its end.
    pub fn write(&self, out: &mut dyn Write) -> io::Result<()> {
        serde_json::to_writer_pretty(&mut *out, self)?;
        writeln!(out)
    }
}

/// A file that was read.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct InputFile {
    /// Its name in the recording folder.
    pub file: String,
    /// Its size, bytes.
    pub bytes: u64,
    /// Its SHA-256, hexadecimal in lower case.
    pub sha256: String,
}

/// What came of one stream and what did not.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct StreamSummary {
    /// The stream's name.
    pub name: String,
    /// Packets that were taken in.
    pub packets_received: u64,
    /// Packets that had come before.
    pub duplicates: u64,
    /// Packets that came after a later one and were still used.
    pub late: u64,
    /// Packets refused: too late, or with an impossible number.
    pub rejected: u64,
    /// Packets that never came.
    pub packets_missing: u64,
    /// Samples that never came.
    pub samples_missing: u64,
    /// Number of gaps.
    pub gaps: u64,
    /// The longest gap at the nominal rate, seconds; 0 without gaps.
    pub longest_gap_s: f64,
}

/// One stretch between restarts of the device's counters.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SegmentSummary {
    /// Segment, counted from 0.
    pub segment: u32,
    /// What served as the device clock: `tick` (the device's counter) or `sample` (the count of samples).
    pub clock: String,
    /// Nominal rate of that clock, hertz.
    pub clock_hz: f64,
    /// Host stamp of the first packet, nanoseconds.
    pub first_host_ns: i64,
    /// Host stamp of the last packet, nanoseconds.
    pub last_host_ns: i64,
    /// Arrivals that the map rests on.
    pub arrivals_used: u64,
    /// Exchanges that the map rests on.
    pub exchanges_used: u64,
    /// Markers that the map rests on.
    pub markers_used: u64,
    /// Names of the other streams whose packets bound the clock too.
    #[serde(default)]
    pub streams_joined: Vec<String>,
    /// How packets wait on the link, as found: `grid-slipping` (four slips of the beat or more), `grid-partly-slipping` (one to
    /// four), `grid-locked` (less), `grid-lost` (came and went), `congested` (so many packets lost that the queue must be
    /// overflowing), `no-grid` (delays above a floor), `grid-unseen` (no grid shows, and yet one may be there),
    /// `grid-polled` (the grid is none of a radio's, and one may lie beneath), `batched` (something that is no radio collects packets, and hides
    /// for how long they waited for it), `too-few-packets`.
    pub link_kind: String,
    /// Period of the grid of instants at which the link delivers, milliseconds; `null` where none is believed in.
    pub grid_interval_ms: Option<f64>,
    /// Height of the saw-tooth of waits, milliseconds: the common divisor of packet period and grid; `null` without a grid, and
    /// where that is one whose measured period divides none: packets meet all its phases then.
    pub beat_ms: Option<f64>,
    /// How many steps of `beat_ms` the grid moved against the packets; `null` without a beat.
    pub beat_slips: Option<f64>,
    /// How long the beat takes from one slip to the next, seconds; `null` without a beat.
    pub slip_period_s: Option<f64>,
    /// Period of a grid that may be there without showing, milliseconds; `null` where that could be ruled out.
    pub unseen_interval_ms: Option<f64>,
    /// A grid or interval was declared that the arrivals contradict.
    pub declared_interval_refuted: bool,
    /// Exchanges or markers contradict the declared fixed delay.
    pub fixed_delay_refuted: bool,
    /// True where the fixed delay was given or measured; false where offsets are known only up to it.
    pub fixed_delay_known: bool,
    /// The fixed delay used, milliseconds.
    pub fixed_delay_ms: Option<f64>,
    /// Its standard uncertainty, milliseconds.
    pub fixed_delay_u_ms: Option<f64>,
    /// The clock maps, in the order of device time.
    pub maps: Vec<MapSummary>,
    /// Sudden changes found in the segment.
    pub changes: Vec<Change>,
}

/// A clock map: host time = `host_origin_ns` + (d − `device_origin`) ÷ `clock_hz` × 10⁹ ÷ (1 + `drift_ppm` × 10⁻⁶).
///
/// Positive drift = the headset's clock runs fast against the phone's.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MapSummary {
    /// Device clock at the map's origin: ticks or samples, unwrapped.
    pub device_origin: i64,
    /// Host clock at the map's origin, nanoseconds.
    pub host_origin_ns: i64,
    /// Where the map begins to hold, seconds on the timeline of `onset`.
    pub valid_from_s: f64,
    /// Where it ceases to hold, seconds on the timeline of `onset`.
    pub valid_to_s: f64,
    /// Drift, parts per million.
    pub drift_ppm: f64,
    /// Its standard uncertainty, parts per million.
    pub u_drift_ppm: Option<f64>,
    /// Standard uncertainty of the offset at the origin, milliseconds.
    pub u_offset_ms: Option<f64>,
    /// Half-width of the offset's 95 % interval at the origin, milliseconds.
    pub offset_u95_ms: Option<f64>,
}

/// A sudden change of the relation between the clocks.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Change {
    /// Host stamp of the first packet after it, nanoseconds.
    pub host_ns: i64,
    /// How far host stamps jumped against the device's clock, milliseconds; positive = later.
    pub step_ms: f64,
    /// What is held to be the cause, such as `host-clock-step`.
    pub cause: String,
}

/// How many events have which status, and how sure the placed ones are.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct EventCounts {
    /// All events.
    pub total: u64,
    /// Placed where samples were received.
    pub placed: u64,
    /// Placed where samples were lost.
    pub in_gap: u64,
    /// Before the first or after the last sample.
    pub outside: u64,
    /// Without a clock map.
    pub unplaced: u64,
    /// Median of `u95_ms` over the events that have one, milliseconds.
    pub u95_median_ms: Option<f64>,
    /// Largest `u95_ms`, milliseconds.
    pub u95_largest_ms: Option<f64>,
    /// What `u95_ms` is made of, line by line; `null` where no event has one.
    pub budget_median: Option<BudgetSummary>,
}

/// The lines of the uncertainty budget (GUM): half-widths of 95 %, milliseconds, each the median over all events.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct BudgetSummary {
    /// What the delays of the link leave open of the clock.
    pub link_ms: f64,
    /// Of this, what the scatter of delays, exchanges and markers leaves open.
    pub statistics_ms: f64,
    /// Of this, what the link's grid leaves open, one that does not show included.
    pub lattice_ms: f64,
    /// Of this, what the crystal's wander between the bounds leaves open.
    pub curvature_ms: f64,
    /// What the age of the last observation adds (holdover, ITU-T G.810).
    pub holdover_ms: f64,
    /// The link's fixed delay.
    pub fixed_delay_ms: f64,
    /// The steps of the host's stamps and of the device's counter.
    pub resolution_ms: f64,
    /// From an event's stamp to the physical event.
    pub latency_ms: f64,
}

/// Whether the recording serves its purpose: what errors of placement can do to an average over trials.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    /// In a sentence.
    pub sentence: String,
    /// The components that were asked for, by name.
    pub components: Vec<String>,
    /// Those of them for which every label meets every limit.
    pub fit_for: Vec<String>,
    /// One for each label of events, in the order of the alphabet.
    pub conditions: Vec<ConditionVerdict>,
    /// For pairs of labels, by how much the difference of their latencies may be off.
    pub differences: Vec<DifferenceVerdict>,
}

/// The verdict on the events of one label.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ConditionVerdict {
    /// The label.
    pub label: String,
    /// Events of this label.
    pub events: u64,
    /// Of these, placed where samples were received.
    pub placed: u64,
    /// The same as a share, 0 to 1.
    pub placed_share: f64,
    /// Median of `u95_ms` over the placed events, milliseconds.
    pub u95_median_ms: Option<f64>,
    /// 95 % of the placed events have no larger `u95_ms`, milliseconds.
    pub u95_p95_ms: Option<f64>,
    /// Largest `u95_ms` of a placed event, milliseconds.
    pub u95_largest_ms: Option<f64>,
    /// Half-width of the 95 % interval of the average's latency if all placements err alike, milliseconds. The unknown fixed delay is not
    /// in it.
    pub latency_shift_ms: Option<f64>,
    /// The fixed delay is unknown, so that the latency itself is off by it.
    pub fixed_delay_unknown: bool,
    /// One for each component.
    pub components: Vec<ComponentVerdict>,
}

/// What is left of one component in one label's average.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ComponentVerdict {
    /// The component.
    pub name: String,
    /// Standard deviation of the Gaussian bump that it is taken for, milliseconds.
    pub sd_ms: f64,
    /// Share of its amplitude that is left if all placements err independently, 0 to 1; `null` where nothing was placed.
    pub amplitude_left: Option<f64>,
    /// All limits on this label are met.
    pub fit: bool,
    /// In words, the limits that are not.
    pub unmet: Vec<String>,
}

/// By how much the difference of two labels' latencies may be off.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DifferenceVerdict {
    /// One label.
    pub label: String,
    /// The other.
    pub other_label: String,
    /// Half-width of the 95 % interval of the difference, as far as placement goes, milliseconds.
    pub latency_difference_ms: f64,
}

/// The size of placement errors, all absolute and in milliseconds.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ErrorSizes {
    /// Half of the events are within this.
    pub median_ms: f64,
    /// 95 % are within this.
    pub p95_ms: f64,
    /// 99 % are within this.
    pub p99_ms: f64,
    /// All are within this.
    pub largest_ms: f64,
}

/// The error that was made, where the truth is known.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ErrorAgainstTruth {
    /// Events that have both a placement and a truth.
    pub events_compared: u64,
    /// This alignment's errors.
    pub placement: ErrorSizes,
    /// Share of events whose truth lies within their 95 % interval, 0 to 1.
    pub interval_held_share: f64,
    /// The causal estimator's errors.
    pub live: Option<ErrorSizes>,
    /// Share of events whose truth lies within the causal estimator's 95 % interval, 0 to 1.
    pub live_interval_held_share: Option<f64>,
    /// For comparison: errors of taking the arrival stamp for the sample's time.
    pub arrival_stamp: Option<ErrorSizes>,
    /// For comparison: errors of a straight line by least squares through all arrivals.
    pub least_squares: Option<ErrorSizes>,
}

const MISSING: &str = "n/a";

/// A number with fixed decimals, never `-0.000`; `None` where it is missing or not finite.
fn fixed(number: Option<f64>, decimals: usize) -> Option<String> {
    let text = format!("{:.decimals$}", number.filter(|number| number.is_finite())?);
    let is_zero = text.bytes().all(|byte| matches!(byte, b'-' | b'0' | b'.'));
    Some(if is_zero { text.trim_start_matches('-').to_owned() } else { text })
}

fn decimal(number: Option<f64>, decimals: usize) -> String {
    fixed(number, decimals).unwrap_or_else(|| MISSING.to_owned())
}

pub(crate) fn tab_field(text: &str) -> String {
    if text.is_empty() {
        return MISSING.to_owned();
    }
    text.chars()
        .map(|character| match character {
            '"' => '\'',
            '\u{2028}' | '\u{2029}' => ' ',
            character if character.is_control() => ' ',
            character => character,
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(label: &str) -> EventRow {
        EventRow {
            onset_s: Some(12.000_000_000_4),
            duration_s: None,
            label: label.to_owned(),
            sample: Some(3_000.000_000_1),
            host_ns: -5,
            segment: Some(0),
            u95_ms: Some(0.62),
            status: Status::Placed,
            live_onset_s: Some(-1e-12),
            live_u95_ms: Some(f64::INFINITY),
            further_samples: vec![Some(1.5)],
            excludes_fixed_delay: false,
        }
    }

    #[test]
    fn events_are_written_exactly_as_the_contract_says() {
        let unplaced = EventRow {
            onset_s: None,
            duration_s: Some(0.25),
            sample: None,
            segment: None,
            u95_ms: None,
            status: Status::Unplaced,
            live_onset_s: None,
            live_u95_ms: Some(f64::NAN),
            further_samples: Vec::new(),
            ..row("a\tb\nc\"d\u{2028}é")
        };
        let table = EventsTable {
            further_streams: vec!["optical".to_owned()],
            rows: vec![
                row("rare"),
                unplaced,
                EventRow { status: Status::InGap, excludes_fixed_delay: true, ..row("") },
            ],
        };
        let mut text = Vec::new();
        table.write(&mut text).unwrap();
        let expected = "\
onset\tduration\ttrial_type\tsample\thost_ns\tsegment\tu95_ms\tstatus\tlive_onset\tlive_u95_ms\tsample_optical	excludes
12.000000000\tn/a\trare\t3000.000000\t-5\t0\t0.620000\tplaced\t0.000000000\tn/a\t1.500000\tn/a
n/a\t0.250000\ta b c'd é\tn/a\t-5\tn/a\tn/a\tunplaced\tn/a\tn/a\tn/a\tn/a
12.000000000\tn/a\tn/a\t3000.000000\t-5\t0\t0.620000\tin-gap\t0.000000000\tn/a\t1.500000\tfixed-delay
";
        assert_eq!(String::from_utf8(text).unwrap(), expected);
        assert_eq!(Status::Outside.as_str(), "outside");
    }

    #[test]
    fn gaps_are_written_with_their_units_in_the_header() {
        let gap = Gap {
            stream: "e,eg".to_owned(),
            segment: 1,
            first_missing_sequence: 65_540,
            packets_missing: 2,
            first_missing_sample: 327_700,
            samples_missing: 10,
            onset_s: Some(1310.8),
            duration_s: Some(0.04),
            host_before_ns: Some(-7),
            host_after_ns: None,
        };
        let mut text = Vec::new();
        write_gaps(&[gap], &mut text).unwrap();
        assert_eq!(
            String::from_utf8(text).unwrap(),
            "stream,segment,first_missing_sequence,packets_missing,first_missing_sample,samples_missing,onset_s,\
             duration_s,host_before_ns,host_after_ns\n\
             \"e,eg\",1,65540,2,327700,10,1310.800000000,0.040000000,-7,\n"
        );
    }

    #[test]
    fn an_alignment_comes_back_from_its_json_as_it_was() {
        let sizes = ErrorSizes { median_ms: 0.1, p95_ms: 0.2, p99_ms: 1.0 / 3.0, largest_ms: 0.5 };
        let alignment = Alignment {
            version: ALIGNMENT_VERSION,
            tickseam: "0.1.0".to_owned(),
            numerics_revision: 1,
            inputs: vec![InputFile { file: "packets.csv".to_owned(), bytes: 9, sha256: "00".to_owned() }],
            notes: vec![],
            streams: vec![StreamSummary { name: "eeg".to_owned(), ..StreamSummary::default() }],
            segments: vec![SegmentSummary {
                segment: 0,
                clock: "tick".to_owned(),
                clock_hz: 32_768.0,
                first_host_ns: i64::MIN,
                last_host_ns: i64::MAX,
                arrivals_used: 1,
                exchanges_used: 2,
                markers_used: 3,
                streams_joined: vec!["motion".to_owned()],
                link_kind: "beat".to_owned(),
                grid_interval_ms: Some(15.0),
                beat_ms: Some(5.0),
                beat_slips: Some(2.5),
                slip_period_s: Some(240.0),
                unseen_interval_ms: None,
                declared_interval_refuted: false,
                fixed_delay_refuted: false,
                fixed_delay_known: false,
                fixed_delay_ms: None,
                fixed_delay_u_ms: None,
                maps: vec![MapSummary {
                    device_origin: 0,
                    host_origin_ns: 1,
                    valid_from_s: 0.0,
                    valid_to_s: 1800.0,
                    drift_ppm: 25.1,
                    u_drift_ppm: Some(0.01),
                    u_offset_ms: Some(0.2),
                    offset_u95_ms: Some(0.4),
                }],
                changes: vec![Change { host_ns: 5, step_ms: -3.5, cause: "host-clock-step".to_owned() }],
            }],
            events: EventCounts { total: 1, placed: 1, ..EventCounts::default() },
            words: vec!["All is well.".to_owned()],
            verdict: Some(Verdict {
                sentence: "Fit.".to_owned(),
                components: vec!["bump".to_owned()],
                fit_for: vec![],
                conditions: vec![ConditionVerdict {
                    label: "rare".to_owned(),
                    events: 2,
                    placed: 1,
                    placed_share: 0.5,
                    u95_median_ms: Some(0.5),
                    u95_p95_ms: Some(0.5),
                    u95_largest_ms: Some(0.5),
                    latency_shift_ms: None,
                    fixed_delay_unknown: true,
                    components: vec![ComponentVerdict {
                        name: "bump".to_owned(),
                        sd_ms: 15.0,
                        amplitude_left: Some(0.99),
                        fit: false,
                        unmet: vec!["half of the events are missing".to_owned()],
                    }],
                }],
                differences: vec![DifferenceVerdict {
                    label: "rare".to_owned(),
                    other_label: "usual".to_owned(),
                    latency_difference_ms: 0.1,
                }],
            }),
            error_against_truth: Some(ErrorAgainstTruth {
                events_compared: 1,
                placement: sizes.clone(),
                interval_held_share: 1.0,
                live: None,
                live_interval_held_share: None,
                arrival_stamp: Some(sizes),
                least_squares: None,
            }),
        };
        let mut text = Vec::new();
        alignment.write(&mut text).unwrap();
        assert!(
            text.starts_with(
                b"{\n  \"version\": 1,\n  \"tickseam\": \"0.1.0\",\n  \"numerics_revision\": 1,"
            )
        );
        assert!(text.ends_with(b"}\n"));
        assert_eq!(serde_json::from_slice::<Alignment>(&text).unwrap(), alignment);
    }
}
