//! Where samples lie on the device's timeline, stretch by stretch.
//!
//! A *run* is a stretch of packets that follow each other without a gap: within it samples are counted, and each packet's stamp says when
//! one of them was taken, to within a tick. Stamps are not followed one by one, which would make a step of up to a tick at each packet:
//! around each instant a straight line is laid by least squares through the packets of the run within [`REACH_S`], instant against count
//! of samples. Its slope is drawn to the segment's own mean slope, as far as that says more than so short a stretch of stamps rounded to
//! ticks can (a ridge: [`SLOPE_SPREAD`]). So a sample clock that runs at another rate than the tick clock is followed, and a run of a few
//! packets keeps a sound slope.

use std::ops::Range;

use tickseam_record::{NpyError, Packets, SampleArray, Stream};

use crate::align::{Aligned, Captured, SampleTimeline};

/// Packets so far before and after an instant tell where it lies, s. Doubled: a sample clock that warms against the tick clock by
/// 0.01 ppm/s is followed to 0.5 µs still.
const REACH_S: f64 = 5.0;

/// By how much the slope over [`REACH_S`] may differ from the segment's mean, as a standard deviation: 20 parts in a million, two crystals
/// of which one warms up. Own choice. Doubled, runs of a second err by twice as many ticks over their length.
const SLOPE_SPREAD: f64 = 20e-6;

/// By how much a segment's mean slope may differ from the nominal rate: 1 %, a rate that was declared wrongly. Own choice.
const RATE_SPREAD: f64 = 0.01;

/// Samples that follow each other, from the first to before the last, on a line of instants.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Line {
    /// Count of samples, with its fraction, at the instant that was asked for.
    pub(crate) at: f64,
    /// Samples a second of the device's timeline.
    pub(crate) rate_hz: f64,
}

/// A stretch of packets without a gap.
#[derive(Clone, Debug, PartialEq)]
struct Run {
    packets: Range<usize>,
    /// Counts of samples; they go on over gaps as if there were none.
    samples: Range<i64>,
}

/// The samples of one stream in one segment.
#[derive(Debug)]
pub(crate) struct Positions<'a> {
    timeline: &'a SampleTimeline,
    /// For each packet: its place among the packets of its stream in `packets.csv`, which is its place in the array of samples.
    ordinals: Vec<u32>,
    /// For each packet: the count of samples before it.
    counts: Vec<i64>,
    runs: Vec<Run>,
    /// Mean time from sample to sample, s.
    sample_s: f64,
    /// Standard deviation that a stamp was rounded by, s.
    rounding_s: f64,
}

/// Where samples that are asked for lie.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Lie {
    /// All of them were received.
    Received,
    /// Some were lost, or the tick jumps among them.
    InGap,
    /// Some lie before the first or after the last sample.
    Outside,
}

impl<'a> Positions<'a> {
    /// `ordinal_of` gives each row's place among the rows of its stream; `tick_s` is the length of a tick, where packets carry any.
    pub(crate) fn new(
        timeline: &'a SampleTimeline,
        packets: &Packets<'_>,
        stream: &Stream,
        ordinal_of: &[u32],
        tick_s: Option<f64>,
    ) -> Self {
        let rounding_s = tick_s.unwrap_or(0.0) / 12_f64.sqrt();
        let nominal_s = 1.0 / stream.rate_hz;
        let samples_of = |place: usize| i64::from(packets.samples()[timeline.rows[place] as usize]);
        let (mut counts, mut runs) = (Vec::with_capacity(timeline.rows.len()), Vec::<Run>::new());
        let mut count = 0;
        for place in 0..timeline.rows.len() {
            let follows = place.checked_sub(1).is_some_and(|before| {
                let lasts_s = samples_of(before) as f64 * nominal_s;
                let off_s = timeline.first_s[place] - timeline.first_s[before] - lasts_s;
                // Half a sample, the rounding of two stamps, and a rate that was declared wrongly.
                let most_s = nominal_s / 2.0 + 2.0 * tick_s.unwrap_or(0.0) + RATE_SPREAD * lasts_s;
                timeline.index[place] == timeline.index[before].saturating_add(1) && off_s.abs() <= most_s
            });
            counts.push(count);
            count += samples_of(place);
            match runs.last_mut().filter(|_| follows) {
                Some(run) => {
                    run.packets.end = place + 1;
                    run.samples.end = count;
                }
                None => {
                    let samples = count - samples_of(place)..count;
                    runs.push(Run { packets: place..place + 1, samples });
                }
            }
        }
        let ordinals = timeline.rows.iter().map(|&row| ordinal_of[row as usize]).collect();
        let mut positions = Self { timeline, ordinals, counts, runs, sample_s: nominal_s, rounding_s };
        // The mean slope within runs, drawn to the nominal rate as far as the runs are short.
        let (mut sum, mut squares) = (0.0, 0.0);
        for run in &positions.runs {
            let [_, _, run_squares, run_sum] = positions.moments(run.packets.clone());
            squares += run_squares;
            sum += run_sum;
        }
        positions.sample_s = ridge(sum, squares, rounding_s, nominal_s, RATE_SPREAD);
        positions
    }

    /// Of these packets: mean count, mean instant, and sums of squares and products about them.
    fn moments(&self, packets: Range<usize>) -> [f64; 4] {
        let points = packets.clone().map(|place| (self.counts[place], self.timeline.first_s[place]));
        let (origin, begins_s) = points.clone().next().unwrap_or((0, 0.0));
        let number = packets.len().max(1) as f64;
        let centred = points.map(|(count, at_s)| ((count - origin) as f64, at_s - begins_s));
        let (x, y) = centred.clone().fold((0.0, 0.0), |sum, point| (sum.0 + point.0, sum.1 + point.1));
        let (x, y) = (x / number, y / number);
        let (squares, products) = centred.fold((0.0, 0.0), |sum, point| {
            let dx = point.0 - x;
            (sum.0 + dx * dx, sum.1 + dx * (point.1 - y))
        });
        [origin as f64 + x, begins_s + y, squares, products]
    }

    /// The line of instants around one of them, s on the stream's timeline, and the place of the run that it belongs to: the run of the
    /// newest packet that had begun, or the first one. `None` without packets.
    pub(crate) fn line(&self, at_s: f64) -> Option<(Line, usize)> {
        let first_s = &self.timeline.first_s;
        let packet = first_s.partition_point(|&first_s| first_s <= at_s).saturating_sub(1);
        let place = self.runs.partition_point(|run| run.packets.end <= packet);
        let run = self.runs.get(place)?;
        let within = &first_s[run.packets.clone()];
        // The newest packet's own instant: for times after the run, its end counts.
        let around_s = at_s.clamp(*within.first()?, *within.last()?);
        let from = within.partition_point(|&first_s| first_s < around_s - REACH_S);
        let to = within.partition_point(|&first_s| first_s <= around_s + REACH_S);
        let near = run.packets.start + from..run.packets.start + to;
        let [count, mean_s, squares, products] = self.moments(near);
        let sample_s = ridge(products, squares, self.rounding_s, self.sample_s, SLOPE_SPREAD);
        Some((Line { at: count + (at_s - mean_s) / sample_s, rate_hz: 1.0 / sample_s }, place))
    }

    /// Whether samples that are counted on the line of a run were received.
    pub(crate) fn lie(&self, run: usize, samples: &Range<i64>) -> Lie {
        let Some(Run { samples: received, .. }) = self.runs.get(run) else { return Lie::Outside };
        let before = samples.start < received.start;
        let after = samples.end > received.end;
        match () {
            () if before && run == 0 || after && run + 1 == self.runs.len() => Lie::Outside,
            () if before || after => Lie::InGap,
            () => Lie::Received,
        }
    }

    /// The packets that hold these received samples, in their order: place in the array of samples, and which samples of it.
    pub(crate) fn packets_of(&self, samples: Range<i64>) -> impl Iterator<Item = (u64, Range<usize>)> + '_ {
        let from = self.counts.partition_point(|&count| count <= samples.start).saturating_sub(1);
        let ends = |place: usize| {
            let next = self.counts.get(place + 1).copied();
            next.or_else(|| self.runs.last().map(|run| run.samples.end)).unwrap_or(i64::MAX)
        };
        let places = (from..self.counts.len()).take_while(move |&place| self.counts[place] < samples.end);
        places.map(move |place| {
            let begins = self.counts[place];
            let within = |count: i64| (count - begins) as usize;
            let held = within(samples.start.max(begins))..within(samples.end.min(ends(place)));
            (u64::from(self.ordinals[place]), held)
        })
    }
}

/// Samples on one counting of a segment's file: received and lost ones, each taken at the same distance from the one before.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Stretch {
    /// Received samples, counted without gaps as [`Positions::packets_of`] counts them.
    pub(crate) counts: Range<i64>,
    /// The same, lost ones before them counted as well; the segment's first received sample is 0.
    pub(crate) grid: Range<i64>,
}

impl Positions<'_> {
    /// Instant of a sample, counted on the line around a packet, s on the stream's timeline.
    fn instant_s(&self, packet: usize, count: i64) -> Option<f64> {
        let at_s = *self.timeline.first_s.get(packet)?;
        let (line, _) = self.line(at_s)?;
        Some(at_s + (count as f64 - line.at) / line.rate_hz)
    }

    /// The runs, with as many samples between two of them as the time between them holds.
    pub(crate) fn stretches(&self) -> Vec<Stretch> {
        let mut stretches: Vec<Stretch> = Vec::with_capacity(self.runs.len());
        let mut ended: Option<(f64, i64)> = None;
        for run in &self.runs {
            let begins_s = self.instant_s(run.packets.start, run.samples.start);
            let lost = ended
                .zip(begins_s)
                .map_or(0.0, |((ended_s, _), begins_s)| (begins_s - ended_s) / self.sample_s);
            let begins = ended.map_or(0, |(_, end)| end + (lost.round() as i64).max(0));
            let end = begins + (run.samples.end - run.samples.start);
            stretches.push(Stretch { counts: run.samples.clone(), grid: begins..end });
            ended = self.instant_s(run.packets.end - 1, run.samples.end).map(|ended_s| (ended_s, end));
        }
        stretches
    }

    /// Where an instant lies among the samples of `stretches`, with its fraction; in a gap by its share of the time.
    pub(crate) fn on_grid(&self, stretches: &[Stretch], at_s: f64) -> Option<f64> {
        let (line, run) = self.line(at_s)?;
        let stretch = stretches.get(run)?;
        let past = line.at - stretch.counts.end as f64;
        if past > 0.0
            && let Some((next, after)) = stretches.get(run + 1).zip(self.runs.get(run + 1))
        {
            let ended_s = self.instant_s(self.runs[run].packets.end - 1, stretch.counts.end)?;
            let begins_s = self.instant_s(after.packets.start, next.counts.start)?;
            let share =
                if begins_s > ended_s { ((at_s - ended_s) / (begins_s - ended_s)).min(1.0) } else { 1.0 };
            return Some(stretch.grid.end as f64 + share * (next.grid.start - stretch.grid.end) as f64);
        }
        Some(stretch.grid.start as f64 + (line.at - stretch.counts.start as f64))
    }
}

/// Where the samples of a stream lie, by segment.
pub(crate) fn all_positions<'a>(
    captured: &Captured<'_>,
    aligned: &'a Aligned,
    stream: usize,
) -> Vec<(u32, Positions<'a>)> {
    let mut next = 0;
    let ordinal_of: Vec<u32> = captured
        .packets
        .stream()
        .iter()
        .map(|&of| {
            let ordinal = next;
            next += u32::from(usize::from(of) == stream);
            ordinal
        })
        .collect();
    let tick_s = captured.description.device_clock.tick_hz.map(|tick_hz| 1.0 / tick_hz);
    let described = &captured.description.streams[stream];
    aligned
        .sample_timelines
        .iter()
        .filter(|timeline| timeline.stream == stream)
        .map(|timeline| {
            (timeline.segment, Positions::new(timeline, captured.packets, described, &ordinal_of, tick_s))
        })
        .collect()
}

/// Reads the samples that are asked for, the chosen channels of them.
pub(crate) struct Reader<'a> {
    samples: &'a mut SampleArray,
    channels: &'a [usize],
    packet: Vec<f64>,
    values: Vec<f64>,
}

impl<'a> Reader<'a> {
    pub(crate) fn new(samples: &'a mut SampleArray, channels: &'a [usize]) -> Self {
        Self { samples, channels, packet: Vec::new(), values: Vec::new() }
    }

    /// Received samples by their counts: sample by sample, the chosen channels of each.
    pub(crate) fn read(&mut self, positions: &Positions<'_>, range: Range<i64>) -> Result<&[f64], NpyError> {
        self.values.clear();
        let all = self.samples.channels();
        let room = self.samples.samples();
        // Packets that lie side by side in the file are read at once.
        let mut stretch: Option<(u64, Vec<Range<usize>>)> = None;
        let mut stretches = Vec::new();
        for (ordinal, held) in positions.packets_of(range) {
            match &mut stretch {
                Some((first, packets)) if *first + packets.len() as u64 == ordinal => packets.push(held),
                _ => stretches.extend(stretch.replace((ordinal, vec![held]))),
            }
        }
        stretches.extend(stretch);
        for (first, packets) in stretches {
            self.samples.read_packets(first, packets.len(), &mut self.packet)?;
            for (packet, held) in self.packet.chunks_exact(room * all).zip(packets) {
                for sample in packet[held.start * all..held.end * all].chunks_exact(all) {
                    self.values.extend(self.channels.iter().map(|&channel| sample[channel]));
                }
            }
        }
        Ok(&self.values)
    }
}

/// A slope by least squares, drawn to another one from which it differs by `spread` of it, as a standard deviation.
fn ridge(products: f64, squares: f64, noise: f64, towards: f64, spread: f64) -> f64 {
    let weight = (noise / (spread * towards)).powi(2);
    let squares = squares + weight;
    if squares > 0.0 { (products + weight * towards) / squares } else { towards }
}

#[cfg(test)]
mod tests {
    use tickseam_record::Packet;

    use super::*;

    /// Packets of five samples at a true rate, stamped by a clock of `tick_hz`, some lost.
    fn timeline(true_hz: f64, tick_hz: f64, count: u32, lost: &[u32]) -> (SampleTimeline, Packets<'static>) {
        let received: Vec<u32> = (0..count).filter(|place| !lost.contains(place)).collect();
        let first_s = |place: u32| {
            let true_s = 0.123_456 + f64::from(place) * 5.0 / true_hz;
            ((true_s * tick_hz).floor() - (0.123_456 * tick_hz).floor()) / tick_hz
        };
        let timeline = SampleTimeline {
            stream: 0,
            segment: 0,
            rows: (0..received.len() as u32).collect(),
            index: received.iter().map(|&place| i64::from(place)).collect(),
            first_s: received.iter().map(|&place| first_s(place)).collect(),
            begins_s: Some(0.0),
        };
        let packet = |_| Packet { host_ns: 0, stream: 0, sequence: 0, tick: None, samples: 5 };
        (timeline, received.iter().map(packet).collect())
    }

    fn positions<'a>(
        timeline: &'a SampleTimeline,
        packets: &Packets<'_>,
        tick_s: Option<f64>,
    ) -> Positions<'a> {
        let stream =
            Stream { name: "a".to_owned(), rate_hz: 250.0, samples_per_packet: 5, sequence_bits: 16 };
        let ordinals: Vec<u32> = (0..packets.len() as u32).collect();
        Positions::new(timeline, packets, &stream, &ordinals, tick_s)
    }

    #[test]
    fn a_coarse_tick_makes_no_steps_and_another_rate_than_nominal_is_followed() {
        for (true_hz, tick_hz) in
            [(250.0, 1000.0), (250.0 * (1.0 + 80e-6), 1000.0), (251.2, 1000.0), (250.01, 32_768.0)]
        {
            let (timeline, packets) = timeline(true_hz, tick_hz, 6000, &[]);
            let positions = positions(&timeline, &packets, Some(1.0 / tick_hz));
            let mut errors_s = Vec::new();
            for hundredth in 500..11_500 {
                let at_s = f64::from(hundredth) / 100.0;
                let (line, run) = positions.line(at_s).unwrap();
                assert_eq!(run, 0);
                errors_s.push(line.at / true_hz - at_s);
            }
            // A constant part is left: of how much the first stamp was rounded.
            let mean_s = errors_s.iter().sum::<f64>() / errors_s.len() as f64;
            assert!(mean_s.abs() < 0.6 / tick_hz, "{true_hz} {tick_hz}: {mean_s}");
            let worst_s = errors_s.iter().map(|error_s| (error_s - mean_s).abs()).fold(0.0, f64::max);
            assert!(worst_s * tick_hz < 0.15, "{true_hz} {tick_hz}: {worst_s}");
        }
    }

    #[test]
    fn a_short_run_keeps_the_segments_slope() {
        // Three packets between two gaps.
        let lost: Vec<u32> = (3000..3010).chain(3013..3020).collect();
        let (timeline, packets) = timeline(250.0 * (1.0 + 80e-6), 1000.0, 6000, &lost);
        let positions = positions(&timeline, &packets, Some(1e-3));
        let (line, run) = positions.line(3011.0 * 0.02).unwrap();
        assert_eq!(run, 1);
        assert!((line.rate_hz / 250.02 - 1.0).abs() < 2e-6, "{}", line.rate_hz);
    }

    #[test]
    fn gaps_and_ends_are_told_apart_and_packets_found() {
        let (timeline, packets) = timeline(250.0, 32_768.0, 100, &[50, 51]);
        let positions = positions(&timeline, &packets, Some(1.0 / 32_768.0));
        let (line, run) = positions.line(0.98).unwrap();
        assert_eq!((run, line.at.round()), (0, 245.0));
        for (run, samples, lie) in [
            (0, 0..250, Lie::Received),
            (0, -1..10, Lie::Outside),
            (0, 200..251, Lie::InGap),
            (1, 249..260, Lie::InGap),
            (1, 250..490, Lie::Received),
            (1, 250..491, Lie::Outside),
            (2, 0..1, Lie::Outside),
        ] {
            assert_eq!(positions.lie(run, &samples), lie, "{run} {samples:?}");
        }
        let stretches = positions.stretches();
        assert_eq!(stretches.len(), 2);
        assert_eq!((stretches[0].grid.clone(), stretches[1].grid.clone()), (0..250, 260..500));
        // In a run, in the gap, before the first sample, after the last.
        for (at_s, grid) in [(0.5, 125.0), (1.02, 255.0), (1.5, 375.0), (-0.004, -1.0), (2.004, 501.0)] {
            let found = positions.on_grid(&stretches, at_s).unwrap();
            assert!((found - grid).abs() < 0.01, "{at_s}: {found}");
        }
        // After the gap of two packets: the 51st received one begins with the 250th received sample.
        let found: Vec<_> = positions.packets_of(253..262).collect();
        assert_eq!(found, [(50, 3..5), (51, 0..5), (52, 0..2)]);
        let last: Vec<_> = positions.packets_of(488..490).collect();
        assert_eq!(last, [(97, 3..5)]);
    }
}
