//! The samples of a stream and the placed events, as EDF+ or BDF+.
//!
//! # The timeline of a file
//! A file holds one stream of one segment: the streams of a headset do not start with the same sample, and between two segments the headset was off for
//! a time that only the host's clock saw. It begins with the segment's first received sample. From there samples are counted, lost
//! ones as well (as many as the time between their neighbours holds), and sample n stands at n ÷ nominal rate, as every reader of these
//! formats takes it. An event stands where it lies *among the samples*, with its fraction: a device whose samples come at another rate than
//! the nominal one does not draw samples and events apart.
//!
//! # What is lost
//! Lost samples repeat the last value received, and every lost stretch is marked by an annotation `gap` with its duration, one of samples
//! that are not finite numbers by `not-finite`. So the file is a continuous one (`EDF+C`), which every reader takes as it is meant. With
//! [`Plan::discontinuous`] records (of about a second) of which nothing was received are left out (`EDF+D`). Some readers refuse such
//! files, and others read on as if nothing were missing: everything after the first gap then stands too early, against its annotations too.
//!
//! # Values
//! Whole numbers within 16 bits (EDF) or 24 bits (BDF) are written as they are. Others are spread over the range from the channel's least to its
//! greatest value; [`Segment::largest_step`] says how coarsely.
//!
//! Events with a place in the segment are written with their labels and durations; `u95_ms` is not in the text, since tools group
//! events by it: it stands in `events.tsv`. Events before the first or after the last sample are left out.

use std::io;
use std::ops::Range;

use tickseam_record::{
    EdfAnnotation, EdfFile, EdfKind, EdfSignal, EdfStart, NpyError, SampleArray, Status, record_length,
};

use crate::align::{Aligned, Captured};
use crate::positions::{Positions, Reader, Stretch, all_positions};

/// What is asked for.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// Place of the stream in `recording.toml`.
    pub stream: usize,
    /// EDF+ or BDF+.
    pub kind: EdfKind,
    /// Unit of the values; empty where nobody said.
    pub unit: String,
    /// Local time of the first sample, where it is known.
    pub start: Option<EdfStart>,
    /// Whether records that were lost altogether are left out.
    pub discontinuous: bool,
}

/// Why no file can be made.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The stream cannot stand in such a file.
    #[error("{0}")]
    Stream(String),
    /// The samples cannot be read.
    #[error(transparent)]
    Samples(#[from] NpyError),
}

/// One file: a stream in a segment.
#[derive(Debug)]
pub struct Segment<'a> {
    /// The segment, counted from 0.
    pub segment: u32,
    /// Samples of each channel that were received.
    pub received: u64,
    /// Samples of each channel that were lost between the first and the last.
    pub lost: u64,
    /// Stretches of them.
    pub gaps: usize,
    /// Events written.
    pub events: usize,
    /// Events of this segment that lie before the first or after the last sample.
    pub outside: usize,
    /// Records that were left out because nothing of them was received.
    pub left_out: u64,
    /// Coarsest difference of neighbouring values of a channel; `None` where every value is kept as it is.
    pub largest_step: Option<f64>,
    /// Header, records and annotations.
    pub file: EdfFile,
    positions: Positions<'a>,
    stretches: Vec<Stretch>,
}

/// Prepares the files of a stream, one for each segment in which samples of it were received: one pass over the samples.
///
/// # Errors
/// A rate that no such file can have, samples that cannot be read, a recording without samples of the stream.
pub fn prepare<'a>(
    captured: &Captured<'_>,
    aligned: &'a Aligned,
    samples: &mut SampleArray,
    plan: &Plan,
) -> Result<Vec<Segment<'a>>, ExportError> {
    let stream = captured.description.streams.get(plan.stream).ok_or_else(|| {
        ExportError::Stream(format!("stream {}: the recording has no such stream", plan.stream))
    })?;
    let channels: Vec<usize> = (0..samples.channels()).collect();
    let Some((record_s, samples_per_record)) = record_length(stream.rate_hz, channels.len(), plan.kind)
    else {
        return Err(ExportError::Stream(format!(
            "stream {:?}: found a rate of {} Hz, expected one of which a record of 1, 2, 4, 5, 8, 10, 20, 25 or 40 s holds whole samples",
            stream.name, stream.rate_hz
        )));
    };
    let whole = samples.numbers().is_whole();
    let mut reader = Reader::new(samples, &channels);
    let mut segments = Vec::new();
    for (segment, positions) in all_positions(captured, aligned, plan.stream) {
        let stretches = positions.stretches();
        let Some(end) = stretches.last().map(|stretch| stretch.grid.end) else { continue };
        let surveyed = survey(&mut reader, &positions, &stretches, channels.len(), whole)?;
        let signals: Vec<EdfSignal> = surveyed
            .channels
            .iter()
            .enumerate()
            .map(|(channel, values)| {
                let label = format!("{} {channel}", stream.name);
                let range = [values.least, values.greatest];
                let unit = plan.unit.clone();
                let kept =
                    values.whole.then(|| EdfSignal::whole(plan.kind, label.clone(), unit.clone(), range));
                kept.flatten().unwrap_or_else(|| EdfSignal::spread(plan.kind, label, unit, range))
            })
            .collect();
        let kept: Vec<bool> = signals
            .iter()
            .zip(&surveyed.channels)
            .map(|(signal, values)| signal.step() == 1.0 && values.whole)
            .collect();
        let coarsest = signals.iter().zip(&kept).filter(|(_, kept)| !**kept).map(|(signal, _)| signal.step());
        let largest_step = coarsest.max_by(f64::total_cmp);
        let (records, left_out) = records(&stretches, samples_per_record as i64, plan.discontinuous);
        let at_s = |grid: f64| grid / stream.rate_hz;
        let whole_end = (end as u64).div_ceil(samples_per_record as u64) as i64 * samples_per_record as i64;
        let lost: Vec<Range<i64>> = stretches
            .windows(2)
            .map(|pair| pair[0].grid.end..pair[1].grid.start)
            .filter(|lost| !lost.is_empty())
            .collect();
        let after = (whole_end > end).then_some(end..whole_end);
        let marked = |text: &str, range: &Range<i64>| EdfAnnotation {
            onset_s: at_s(range.start as f64),
            duration_s: Some(at_s((range.end - range.start) as f64)),
            text: text.to_owned(),
        };
        let mut annotations: Vec<EdfAnnotation> =
            lost.iter().chain(after.iter()).map(|range| marked("gap", range)).collect();
        annotations.extend(surveyed.not_finite.iter().map(|range| marked("not-finite", range)));
        let (mut events, mut outside) = (0, 0);
        for row in aligned.events.rows.iter().filter(|row| row.segment == Some(segment)) {
            let onset_s = match plan.stream.checked_sub(1) {
                None => row.onset_s,
                Some(further) => {
                    row.further_samples.get(further).copied().flatten().map(|sample| sample / stream.rate_hz)
                }
            };
            let grid = onset_s
                .filter(|_| row.status != Status::Unplaced)
                .and_then(|onset_s| positions.on_grid(&stretches, onset_s));
            let Some(grid) = grid.filter(|&grid| grid >= 0.0 && grid < end as f64) else {
                outside += 1;
                continue;
            };
            events += 1;
            annotations.push(EdfAnnotation {
                onset_s: at_s(grid),
                duration_s: row.duration_s,
                text: row.label.clone(),
            });
        }
        segments.push(Segment {
            segment,
            received: stretches.iter().map(|stretch| (stretch.grid.end - stretch.grid.start) as u64).sum(),
            lost: lost.iter().map(|lost| (lost.end - lost.start) as u64).sum(),
            gaps: lost.len(),
            events,
            outside,
            left_out,
            largest_step,
            file: EdfFile {
                kind: plan.kind,
                signals,
                samples_per_record,
                record_s: record_s.clone(),
                start: plan.start,
                records,
                annotations,
            },
            positions,
            stretches,
        });
    }
    if segments.is_empty() {
        return Err(ExportError::Stream(format!(
            "stream {:?}: found no packets of it, expected some to write",
            stream.name
        )));
    }
    Ok(segments)
}

/// All records up to the last, or those of which something was received; and how many were left out.
fn records(stretches: &[Stretch], samples: i64, leave_out: bool) -> (Vec<u64>, u64) {
    let last = stretches.last().map_or(0, |stretch| (stretch.grid.end - 1).div_euclid(samples));
    let mut records: Vec<u64> = Vec::new();
    for stretch in stretches {
        let from = stretch.grid.start.div_euclid(samples) as u64;
        let to = (stretch.grid.end - 1).div_euclid(samples) as u64;
        let next = records.last().map_or(0, |last| last + 1);
        records.extend(from.max(next)..=to);
    }
    let left_out = last as u64 + 1 - records.len() as u64;
    if leave_out { (records, left_out) } else { ((0..=last as u64).collect(), 0) }
}

/// What the values of a channel are.
#[derive(Clone, Copy, Debug)]
struct Values {
    least: f64,
    greatest: f64,
    whole: bool,
}

struct Surveyed {
    channels: Vec<Values>,
    /// Samples of which one channel or more is not finite.
    not_finite: Vec<Range<i64>>,
}

/// Samples that are read at once.
const READ_AT_ONCE: i64 = 4096;

fn survey(
    reader: &mut Reader<'_>,
    positions: &Positions<'_>,
    stretches: &[Stretch],
    channels: usize,
    all_whole: bool,
) -> Result<Surveyed, NpyError> {
    let nothing = Values { least: f64::INFINITY, greatest: f64::NEG_INFINITY, whole: true };
    let mut surveyed = Surveyed { channels: vec![nothing; channels], not_finite: Vec::new() };
    for stretch in stretches {
        let mut from = stretch.counts.start;
        while from < stretch.counts.end {
            let to = (from + READ_AT_ONCE).min(stretch.counts.end);
            let values = reader.read(positions, from..to)?;
            for (place, sample) in values.chunks_exact(channels).enumerate() {
                let mut finite = true;
                for (seen, &value) in surveyed.channels.iter_mut().zip(sample) {
                    if value.is_finite() {
                        seen.least = seen.least.min(value);
                        seen.greatest = seen.greatest.max(value);
                        seen.whole &= all_whole || value.fract() == 0.0;
                    } else {
                        finite = false;
                    }
                }
                if !finite {
                    let grid = stretch.grid.start + (from - stretch.counts.start) + place as i64;
                    match surveyed.not_finite.last_mut().filter(|range| range.end == grid) {
                        Some(range) => range.end += 1,
                        None => surveyed.not_finite.push(grid..grid + 1),
                    }
                }
            }
            from = to;
        }
    }
    Ok(surveyed)
}

impl Segment<'_> {
    /// Writes the file: a second pass over the samples, a record at a time.
    ///
    /// # Errors
    /// Whatever the operating system refuses, of the samples too.
    pub fn write(&self, samples: &mut SampleArray, out: &mut dyn io::Write) -> io::Result<()> {
        let channels: Vec<usize> = (0..samples.channels()).collect();
        let mut reader = Reader::new(samples, &channels);
        let of_record = self.file.samples_per_record;
        let signals = &self.file.signals;
        // What is repeated where samples were lost; before the first received value of a channel its middle.
        let mut held: Vec<i32> = signals.iter().map(|signal| signal.sample(0.0)).collect();
        self.file.write(out, |place, record| {
            let begins = self.file.records[place] as i64 * of_record as i64;
            let ends = begins + of_record as i64;
            let mut at = begins;
            let mut keep = |held: &[i32], from: i64, to: i64| {
                for (channel, &value) in held.iter().enumerate() {
                    let row = channel * of_record;
                    record[row + (from - begins) as usize..row + (to - begins) as usize].fill(value);
                }
            };
            let first = self.stretches.partition_point(|stretch| stretch.grid.end <= begins);
            for stretch in self.stretches[first..].iter().take_while(|stretch| stretch.grid.start < ends) {
                let (from, to) = (stretch.grid.start.max(begins), stretch.grid.end.min(ends));
                keep(&held, at, from);
                let counted = |grid: i64| stretch.counts.start + (grid - stretch.grid.start);
                let values = reader
                    .read(&self.positions, counted(from)..counted(to))
                    .map_err(|error| io::Error::other(error.to_string()))?;
                for (sample, grid) in values.chunks_exact(signals.len()).zip(from..) {
                    for ((held, signal), &value) in held.iter_mut().zip(signals).zip(sample) {
                        if value.is_finite() {
                            *held = signal.sample(value);
                        }
                    }
                    keep(&held, grid, grid + 1);
                }
                at = to;
            }
            keep(&held, at, ends);
            Ok(())
        })
    }
}
