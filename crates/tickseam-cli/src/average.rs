//! Averages of the samples around events (event-related potentials), and how far the placement of the events carries them.
//!
//! `places and samples → trials → mean, bootstrap → tables, page, plot`, one direction.
//!
//! # What is done
//! 1. Each event of the label has its onset from the alignment, with its fraction of a sample. The samples of its window lie on the device's
//!    timeline where the packets' stamps say (a straight line through the stamps around the window), and their values on the common grid (0 ms is a point of it) come from a
//!    windowed sinc ([`kernel`]).
//! 2. A trial is left out where its event has no place, where the place's `u95` is above the limit, where samples that its values rest on
//!    (the reach of the sinc and of the low-pass filter included) were lost or lie outside the segment, and where one of them is not a finite
//!    number. [`Verdict`] says which.
//! 3. From each trial the mean over the baseline is subtracted, channel by channel. The average is the mean over the trials; the standard
//!    error is their standard deviation ÷ √n.
//! 4. The peak is the largest (or smallest) point of the average in the peak window, and the vertex of the parabola through it and
//!    its neighbours. Its latency errs by less than 0.02 ms for a Gaussian component of a standard deviation of four points or more.
//! 5. Its interval is the percentile bootstrap's over trials (Efron and Tibshirani, An Introduction to the Bootstrap, 1993, chapter 13; from
//!    memory): trials are drawn with replacement, the peak is found anew in each round's mean, and the 2.5th and 97.5th percentiles are
//!    stated. The scatter of placements from trial to trial is in that already. The largest of noisy points is too large on average; the mean
//!    over the window is not.
//! 6. What all placements share does not average out and does not show in the bootstrap: the fixed delay's error, the label's latency,
//!    and most of what the clock leaves open. How much of `u95` is shared is not known, so all of it counts as shared: each arm of the
//!    latency's interval is combined by root sum of squares with the median `u95` of the used trials.
//! 7. The same is done with the onsets that the newest packet's arrival stamp would have given, for the same trials as far as they are usable
//!    so, and the difference of the two peaks has an interval of its own, from the same draws.
//!
//! # What is written
//! | file | what it holds |
//! | --- | --- |
//! | `average.npy`, `standard_error.npy` | `f8`, (points of the grid, channels) |
//! | `average.csv` | `time_ms`; for each channel `channel_N_mean`, `channel_N_standard_error`, and with `arrival_` before `mean` the same by arrival stamps |
//! | `trials.csv` | each event of the label: `event` (its row, from 0), `host_ns`, `segment`, `onset_s`, `sample`, `u95_ms`, `verdict`, `arrival_onset_s`, `arrival_less_replayed_ms`, `arrival_verdict`; places are on the averaged stream's timeline |
//! | `average.json` | all numbers of the summary and what was asked for, units in the keys: [`json`] |
//! | `average.svg` | a panel for each channel, sixteen at most |
//!
//! # Memory
//! The mean's points, and for a thousand trials at most the points of the peak window: 24 bytes × channels × points × trials. Where there are
//! more trials, neighbours are drawn together.

pub mod kernel;
mod plot;
pub mod statistics;
mod table;

use std::ops::Range;

use tickseam_record::{NpyError, SampleArray};

use self::kernel::Kernel;
use self::statistics::{Drawn, Mean, Peak, PeakWindow, Spread, bootstrap, low_pass};
use crate::align::{Aligned, Captured};
use crate::positions::{Lie, Line, Positions, Reader, all_positions};

pub use self::plot::plot;
pub use self::table::{for_people, json, write_average_csv, write_trials_csv};

/// Which way a peak points.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Polarity {
    /// The largest value is the peak.
    #[default]
    Positive,
    /// The smallest value is.
    Negative,
}

/// What is asked for.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// Label of the events.
    pub label: String,
    /// Place of the stream in `recording.toml`.
    pub stream: usize,
    /// Channels, counted from 0; all where empty.
    pub channels: Vec<usize>,
    /// From where to where the average reaches, ms after the onset.
    pub window_ms: [f64; 2],
    /// What counts as level, ms after the onset; `None` for no subtraction.
    pub baseline_ms: Option<[f64; 2]>,
    /// Where the peak is looked for, ms after the onset.
    pub peak_ms: [f64; 2],
    /// Which way it points.
    pub polarity: Polarity,
    /// Events that are known less well than this are left out, ms.
    pub most_u95_ms: Option<f64>,
    /// Points a second of the common grid; the stream's nominal rate where absent.
    pub rate_hz: Option<f64>,
    /// Where a Gaussian low-pass filter leaves half of the amplitude, Hz; none where absent.
    pub low_pass_hz: Option<f64>,
    /// Rounds of the bootstrap.
    pub rounds: u32,
    /// Its seed.
    pub seed: u64,
    /// Unit of the samples, for axes and tables; empty where nobody said.
    pub unit: String,
}

impl Plan {
    /// The plan of a label with everything else as the command has it by default: −200 to 800 ms, level before 0, peak after 0.
    pub fn new(label: &str) -> Self {
        Self {
            label: label.to_owned(),
            stream: 0,
            channels: Vec::new(),
            window_ms: [-200.0, 800.0],
            baseline_ms: Some([-200.0, 0.0]),
            peak_ms: [0.0, 800.0],
            polarity: Polarity::Positive,
            most_u95_ms: None,
            rate_hz: None,
            low_pass_hz: None,
            rounds: 2000,
            seed: 1,
            unit: String::new(),
        }
    }
}

/// Why no average could be made.
#[derive(Debug, thiserror::Error)]
pub enum AverageError {
    /// What was asked for does not go together: the option, and what is wrong.
    #[error("{0}")]
    Plan(String),
    /// The recording has no such events, or too few that can be used.
    #[error("{0}")]
    Trials(String),
    /// The samples cannot be read.
    #[error(transparent)]
    Samples(#[from] NpyError),
}

/// What became of a trial.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Verdict {
    /// It is in the average.
    Used,
    /// Its event has no place.
    Unplaced,
    /// Its `u95` is above the limit.
    Uncertain,
    /// Samples that it needs lie before the first or after the last of the segment.
    Outside,
    /// Samples that it needs were lost.
    InGap,
    /// Samples that it needs are not finite numbers.
    NotFinite,
}

impl Verdict {
    /// The word in `trials.csv`.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Used => "used",
            Self::Unplaced => "unplaced",
            Self::Uncertain => "uncertain",
            Self::Outside => "outside",
            Self::InGap => "in-gap",
            Self::NotFinite => "not-finite",
        }
    }
}

/// One trial: an event of the label.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trial {
    /// Its row in the recording's events, from 0.
    pub event: usize,
    /// Its onset on the stream's timeline of its segment, s.
    pub onset_s: Option<f64>,
    /// The same by the newest packet's arrival stamp.
    pub arrival_onset_s: Option<f64>,
    /// What became of it.
    pub verdict: Verdict,
    /// What would have become of it if it were placed by arrival stamps; only meant where it was used.
    pub arrival_verdict: Verdict,
}

/// A number with the interval that trials leave it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Estimate {
    /// The number, from all trials.
    pub value: f64,
    /// What the bootstrap says of it.
    pub spread: Spread,
}

/// A channel's peak.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PeakFound {
    /// Latency after the onset, ms; what all placements share is not in its spread.
    pub latency_ms: Estimate,
    /// Amplitude over the baseline.
    pub amplitude: Estimate,
    /// Mean over the peak window.
    pub window_mean: Estimate,
    /// The largest point lies at the window's edge, and the values go on beyond.
    pub at_edge: bool,
}

/// The same average with the onsets that arrival stamps give.
#[derive(Clone, Debug)]
pub struct ByArrival {
    /// Mean and standard error: points, then channels.
    pub mean: Mean,
    /// Peak of each channel.
    pub peaks: Vec<PeakFound>,
    /// Its latency less the replayed one's, over the same trials, ms.
    pub latency_difference_ms: Vec<Estimate>,
    /// Its amplitude less the replayed one's.
    pub amplitude_difference: Vec<Estimate>,
    /// Arrival onset less replayed onset, ms: mean and standard deviation over the trials.
    pub shift_ms: [f64; 2],
}

/// An average and all that is said of it.
#[derive(Clone, Debug)]
pub struct Average {
    /// What was asked for, the channels and the rate filled in.
    pub plan: Plan,
    /// Name of the stream.
    pub stream: String,
    /// Every event of the label, in the recording's order.
    pub trials: Vec<Trial>,
    /// The grid, ms after the onset.
    pub time_ms: Vec<f64>,
    /// Mean and standard error: points, then channels.
    pub mean: Mean,
    /// Peak of each channel.
    pub peaks: Vec<PeakFound>,
    /// By arrival stamps; `None` where fewer than two trials can be placed so.
    pub by_arrival: Option<ByArrival>,
    /// Median and largest `u95` of the used trials, ms.
    pub u95_ms: [f64; 2],
    /// Nobody knows the link's fixed delay: onsets are too early by it, and latencies too long.
    pub excludes_fixed_delay: bool,
    /// How far beyond the window the values rest on samples, ms.
    pub reach_ms: f64,
}

/// Largest number of points of a grid, times channels.
const MOST_VALUES: f64 = 4e6;

/// What is fixed about cutting trials.
struct Cutter<'a> {
    grid: Grid,
    kernel: Kernel,
    /// Weights of the low-pass filter, the middle one first; one of 1 without a filter.
    filter: Vec<f64>,
    channels: &'a [usize],
    baseline: Option<Range<usize>>,
}

/// The common grid: instants k ÷ rate for the whole numbers k of a range.
#[derive(Clone, Debug)]
struct Grid {
    rate_hz: f64,
    points: Range<i64>,
}

impl Grid {
    /// Points within a range of ms, from 0 at the window's first.
    fn within(&self, range_ms: [f64; 2]) -> Range<usize> {
        let [from, to] = range_ms.map(|ms| ms * 1e-3 * self.rate_hz);
        // A point that lies on the edge belongs to it, whatever the rounding.
        let from = ((from - 1e-6).ceil() as i64).max(self.points.start);
        let to = ((to + 1e-6).floor() as i64 + 1).min(self.points.end);
        let place = |point: i64| (point - self.points.start) as usize;
        place(from)..place(to.max(from))
    }
}

impl Cutter<'_> {
    fn margin(&self) -> i64 {
        self.filter.len() as i64 - 1
    }

    /// The samples that the values around an onset rest on, counted on a line about `middle_s` after it.
    fn samples(&self, line: &Line, middle_s: f64) -> Range<i64> {
        let position = |point: i64| line.at + (point as f64 / self.grid.rate_hz - middle_s) * line.rate_hz;
        let first = position(self.grid.points.start - self.margin()).floor() as i64;
        let last = position(self.grid.points.end - 1 + self.margin()).floor() as i64;
        let half_width = self.kernel.half_width() as i64;
        first - half_width + 1..last + half_width + 1
    }

    /// A trial's values on the grid: points, then channels. `samples` begin with the sample counted `from` and hold `self.channels`.
    fn cut(&self, line: &Line, middle_s: f64, samples: &[f64], from: i64) -> Vec<f64> {
        let channels = self.channels.len();
        let points = self.grid.points.start - self.margin()..self.grid.points.end + self.margin();
        let mut values = vec![0.0; (points.end - points.start) as usize * channels];
        let (mut weights, mut weighed) = (Vec::new(), f64::NAN);
        for (row, point) in values.chunks_exact_mut(channels).zip(points) {
            let position = line.at + (point as f64 / self.grid.rate_hz - middle_s) * line.rate_hz;
            let whole = position.floor();
            let fraction = position - whole;
            // Points that lie alike between their samples share their weights: to a billionth of a sample.
            if (fraction - weighed).abs() > 1e-9 || weighed.is_nan() {
                self.kernel.weights(fraction, &mut weights);
                weighed = fraction;
            }
            let begins = (whole as i64 - self.kernel.half_width() as i64 + 1 - from) as usize * channels;
            for (weight, sample) in weights.iter().zip(samples[begins..].chunks_exact(channels)) {
                row.iter_mut().zip(sample).for_each(|(value, sample)| *value += weight * sample);
            }
        }
        let mut values = self.filtered(values);
        if let Some(baseline) = self.baseline.clone() {
            for channel in 0..channels {
                let level: f64 = baseline.clone().map(|point| values[point * channels + channel]).sum();
                let level = level / baseline.len() as f64;
                values.iter_mut().skip(channel).step_by(channels).for_each(|value| *value -= level);
            }
        }
        values
    }

    fn filtered(&self, values: Vec<f64>) -> Vec<f64> {
        let margin = self.filter.len() - 1;
        if margin == 0 {
            return values;
        }
        let channels = self.channels.len();
        (margin * channels..values.len() - margin * channels)
            .map(|at| {
                let beside = self.filter.iter().enumerate().skip(1);
                let sides = beside.map(|(place, weight)| {
                    weight * (values[at - place * channels] + values[at + place * channels])
                });
                self.filter[0] * values[at] + sides.sum::<f64>()
            })
            .collect()
    }
}

/// Averages the samples around the events of a label.
///
/// # Errors
/// A plan that does not go together, a label that does not occur, fewer than two usable trials, samples that cannot be read.
///
/// # Cost
/// Each trial's samples are read twice; the bootstrap takes rounds × trials (a thousand at most) × points of the peak window × channels, twice,
/// over all processors.
pub fn average(
    captured: &Captured<'_>,
    aligned: &Aligned,
    samples: &mut SampleArray,
    plan: &Plan,
) -> Result<Average, AverageError> {
    let stream = captured.description.streams.get(plan.stream).ok_or_else(|| {
        AverageError::Plan(format!("stream {}: the recording has no such stream", plan.stream))
    })?;
    let plan = settled(plan, samples, stream.rate_hz)?;
    let rate_hz = plan.rate_hz.unwrap_or(stream.rate_hz);
    let grid = Grid { rate_hz, points: points(plan.window_ms, rate_hz) };
    let time_ms: Vec<f64> = grid.points.clone().map(|point| point as f64 / rate_hz * 1e3).collect();
    let within = |what: &str, range_ms: [f64; 2], least: usize| {
        let within = grid.within(range_ms);
        if within.len() < least {
            return Err(AverageError::Plan(format!(
                "{what}: found {} points of the grid from {} ms to {} ms, expected {least} or more",
                within.len(),
                range_ms[0],
                range_ms[1]
            )));
        }
        Ok(within)
    };
    let baseline = plan.baseline_ms.map(|range_ms| within("baseline", range_ms, 1)).transpose()?;
    let inside = within("peak window", plan.peak_ms, 3)?;
    let beside = [usize::from(inside.start > 0), usize::from(inside.end < time_ms.len())];
    let kept = inside.start - beside[0]..inside.end + beside[1];
    let window = PeakWindow {
        points: kept.len(),
        beside,
        channels: plan.channels.len(),
        sign: if plan.polarity == Polarity::Positive { 1.0 } else { -1.0 },
    };
    // The same bandwidth for all trials; a clock that is off by parts in a million is no reason to narrow it.
    let bandwidth = if rate_hz < 0.99 * stream.rate_hz { rate_hz / stream.rate_hz } else { 1.0 };
    let cutter = Cutter {
        kernel: Kernel::new(bandwidth),
        filter: plan.low_pass_hz.map_or_else(|| vec![1.0], |half_hz| low_pass(half_hz, rate_hz)),
        channels: &plan.channels,
        baseline,
        grid,
    };

    let mut trials = trials(aligned, &plan, stream.rate_hz, captured)?;
    let positions = all_positions(captured, aligned, plan.stream);
    let mut reader = Reader::new(samples, &plan.channels);
    let (mut mean, mut arrival_mean) = (Mean::default(), Mean::default());
    // What the bootstrap draws from: all trials, and those of both placements.
    let [mut all, mut paired, mut by_stamp] = [(); 3].map(|()| Drawn::new(trials.len()));
    let channels = plan.channels.len();
    let kept = kept.start * channels..kept.end * channels;
    let (mut u95_ms, mut shifts_ms) = (Vec::new(), Vec::new());
    let mut excludes_fixed_delay = false;
    for trial in &mut trials {
        let row = &aligned.events.rows[trial.event];
        let Some((positions, onset_s)) = row
            .segment
            .and_then(|segment| positions.iter().find(|(of, _)| *of == segment))
            .map(|(_, positions)| positions)
            .zip(trial.onset_s)
            .filter(|_| trial.verdict == Verdict::Used)
        else {
            if trial.verdict == Verdict::Used {
                trial.verdict = Verdict::Outside;
            }
            continue;
        };
        let cut = cut(&cutter, positions, &mut reader, onset_s)?;
        let values = match cut {
            Ok(values) => values,
            Err(verdict) => {
                trial.verdict = verdict;
                continue;
            }
        };
        mean.add(&values);
        all.add(&values[kept.clone()]);
        u95_ms.push(row.u95_ms.unwrap_or(f64::NAN));
        excludes_fixed_delay |= row.excludes_fixed_delay;
        let arrival = match trial.arrival_onset_s {
            None => Err(Verdict::Unplaced),
            Some(arrival_onset_s) => self::cut(&cutter, positions, &mut reader, arrival_onset_s)?,
        };
        match (arrival, trial.arrival_onset_s) {
            (Ok(arrival), Some(arrival_onset_s)) => {
                arrival_mean.add(&arrival);
                by_stamp.add(&arrival[kept.clone()]);
                paired.add(&values[kept.clone()]);
                shifts_ms.push((arrival_onset_s - onset_s) * 1e3);
            }
            (arrival, _) => trial.arrival_verdict = arrival.err().unwrap_or(Verdict::Unplaced),
        }
    }
    if mean.count < 2 {
        return Err(AverageError::Trials(table::too_few(&plan, &trials)));
    }

    let has_arrival = arrival_mean.count >= 2;
    let latency_ms =
        |at: f64| time_ms[0] + (kept.start / channels) as f64 / rate_hz * 1e3 + at / rate_hz * 1e3;
    let all_paired = arrival_mean.count == mean.count;
    let sets: &[&Drawn] = if all_paired { &[&all, &by_stamp] } else { &[&all] };
    let mut rounds = bootstrap(sets, &window, plan.rounds, plan.seed);
    let of_mean = |mean: &Mean| -> Vec<Peak> {
        (0..channels).map(|channel| window.peak(&mean.mean[kept.clone()], channel)).collect()
    };
    let whole = of_mean(&mean);
    let found = |whole: &[Peak], rounds: &[Vec<Peak>]| -> Vec<PeakFound> {
        whole.iter().zip(rounds).map(|(whole, rounds)| peak_found(whole, rounds, &latency_ms)).collect()
    };
    let peaks = found(&whole, &rounds[0]);
    let by_arrival = has_arrival.then(|| {
        let arrival = of_mean(&arrival_mean);
        let (replayed, rounds) = if all_paired {
            (whole.clone(), std::mem::take(&mut rounds))
        } else {
            let mean = paired.mean();
            let replayed = (0..channels).map(|channel| window.peak(&mean, channel)).collect();
            (replayed, bootstrap(&[&paired, &by_stamp], &window, plan.rounds, plan.seed))
        };
        let difference = |of: &dyn Fn(&Peak) -> f64| -> Vec<Estimate> {
            (0..channels)
                .map(|channel| Estimate {
                    value: of(&arrival[channel]) - of(&replayed[channel]),
                    spread: Spread::of(
                        rounds[1][channel].iter().zip(&rounds[0][channel]).map(|(a, r)| of(a) - of(r)),
                    ),
                })
                .collect()
        };
        let latency_difference_ms = difference(&|peak| latency_ms(peak.at));
        let amplitude_difference = difference(&|peak| peak.amplitude);
        let count = shifts_ms.len() as f64;
        let shift_ms = shifts_ms.iter().sum::<f64>() / count;
        let squares = shifts_ms.iter().map(|shift| (shift - shift_ms).powi(2)).sum::<f64>();
        ByArrival {
            peaks: found(&arrival, &rounds[1]),
            mean: arrival_mean,
            latency_difference_ms,
            amplitude_difference,
            shift_ms: [shift_ms, (squares / (count - 1.0)).sqrt()],
        }
    });
    u95_ms.sort_by(f64::total_cmp);
    let reach_ms =
        (cutter.kernel.half_width() as f64 / stream.rate_hz + cutter.margin() as f64 / rate_hz) * 1e3;
    Ok(Average {
        stream: stream.name.clone(),
        trials,
        mean,
        peaks,
        by_arrival,
        u95_ms: [u95_ms[(u95_ms.len() - 1) / 2], u95_ms[u95_ms.len() - 1]],
        excludes_fixed_delay,
        reach_ms,
        time_ms,
        plan,
    })
}

/// Points of a grid in a window of ms.
fn points(window_ms: [f64; 2], rate_hz: f64) -> Range<i64> {
    let [from, to] = window_ms.map(|ms| ms * 1e-3 * rate_hz);
    (from - 1e-6).ceil() as i64..(to + 1e-6).floor() as i64 + 1
}

/// The plan with everything filled in that it leaves open, once it goes together.
fn settled(plan: &Plan, samples: &SampleArray, nominal_hz: f64) -> Result<Plan, AverageError> {
    let refuse = |text: String| Err(AverageError::Plan(text));
    let mut plan = plan.clone();
    if plan.channels.is_empty() {
        plan.channels = (0..samples.channels()).collect();
    }
    if let Some(channel) = plan.channels.iter().find(|&&channel| channel >= samples.channels()) {
        let last = samples.channels() - 1;
        return refuse(format!(
            "channel {channel}: {} has the channels 0 to {last}",
            samples.path().display()
        ));
    }
    let rate_hz = *plan.rate_hz.get_or_insert(nominal_hz);
    if !(rate_hz > 0.0 && rate_hz.is_finite()) {
        return refuse(format!("rate: found {rate_hz} Hz, expected more than 0"));
    }
    let [from_ms, to_ms] = plan.window_ms;
    for (what, [from_ms, to_ms]) in [("window", plan.window_ms), ("peak window", plan.peak_ms)]
        .into_iter()
        .chain(plan.baseline_ms.map(|range| ("baseline", range)))
    {
        let finite = from_ms.is_finite() && to_ms.is_finite();
        if !finite || from_ms >= to_ms {
            return refuse(format!(
                "{what}: found {from_ms} ms to {to_ms} ms, expected the earlier end first, as in -200ms:800ms"
            ));
        }
        if from_ms < plan.window_ms[0] - 1e-9 || to_ms > plan.window_ms[1] + 1e-9 {
            let [first_ms, last_ms] = plan.window_ms;
            return refuse(format!(
                "{what}: found {from_ms} ms to {to_ms} ms, expected a part of the window, {first_ms} ms to {last_ms} ms"
            ));
        }
    }
    let values = (to_ms - from_ms) * 1e-3 * rate_hz.max(nominal_hz) * plan.channels.len() as f64;
    if values > MOST_VALUES {
        return refuse(format!(
            "window: {values:.0} values in a trial, expected {MOST_VALUES:.0} or fewer; take a shorter window or a lower rate"
        ));
    }
    if let Some(half_hz) = plan.low_pass_hz
        && !(half_hz > 0.0 && half_hz <= rate_hz / 4.0)
    {
        return refuse(format!(
            "low-pass: found {half_hz} Hz, expected more than 0 and at most a quarter of the grid's rate, {} Hz",
            rate_hz / 4.0
        ));
    }
    if plan.rounds < 100 {
        return refuse(format!("rounds: found {}, expected 100 or more", plan.rounds));
    }
    Ok(plan)
}

/// All events of the label with their onsets on the stream's timeline.
fn trials(
    aligned: &Aligned,
    plan: &Plan,
    rate_hz: f64,
    captured: &Captured<'_>,
) -> Result<Vec<Trial>, AverageError> {
    let mut trials = Vec::new();
    for (event, row) in aligned.events.rows.iter().enumerate().filter(|(_, row)| row.label == plan.label) {
        let begins_s = row.segment.and_then(|segment| {
            let of = |timeline: &&crate::align::SampleTimeline| {
                timeline.stream == plan.stream && timeline.segment == segment
            };
            aligned.sample_timelines.iter().find(of)?.begins_s
        });
        let onset_s = match plan.stream.checked_sub(1) {
            None => row.onset_s,
            Some(further) => {
                row.further_samples.get(further).copied().flatten().map(|sample| sample / rate_hz)
            }
        };
        let arrival = aligned.peers.arrival_stamp.get(event).copied().flatten();
        let verdict = match (onset_s, row.u95_ms, plan.most_u95_ms) {
            (None, ..) | (_, None, _) => Verdict::Unplaced,
            (_, Some(u95_ms), Some(most_ms)) if u95_ms > most_ms => Verdict::Uncertain,
            (_, Some(u95_ms), _) if !u95_ms.is_finite() => Verdict::Uncertain,
            _ => Verdict::Used,
        };
        trials.push(Trial {
            event,
            onset_s,
            arrival_onset_s: arrival.zip(begins_s).map(|(arrival, begins_s)| arrival - begins_s),
            verdict,
            arrival_verdict: Verdict::Used,
        });
    }
    if trials.is_empty() {
        return Err(AverageError::Trials(table::no_such_label(&plan.label, captured.events)));
    }
    Ok(trials)
}

/// A trial's values, or why there are none.
fn cut(
    cutter: &Cutter<'_>,
    positions: &Positions<'_>,
    reader: &mut Reader<'_>,
    onset_s: f64,
) -> Result<Result<Vec<f64>, Verdict>, NpyError> {
    let points = &cutter.grid.points;
    // The line is laid around the window's middle.
    let middle_s = (points.start + points.end - 1) as f64 / 2.0 / cutter.grid.rate_hz;
    let Some((line, run)) = positions.line(onset_s + middle_s) else { return Ok(Err(Verdict::Outside)) };
    let range = cutter.samples(&line, middle_s);
    match positions.lie(run, &range) {
        Lie::Outside => return Ok(Err(Verdict::Outside)),
        Lie::InGap => return Ok(Err(Verdict::InGap)),
        Lie::Received => {}
    }
    let from = range.start;
    let samples = reader.read(positions, range)?;
    if samples.iter().any(|sample| !sample.is_finite()) {
        return Ok(Err(Verdict::NotFinite));
    }
    Ok(Ok(cutter.cut(&line, middle_s, samples, from)))
}

fn peak_found(whole: &Peak, rounds: &[Peak], latency_ms: &dyn Fn(f64) -> f64) -> PeakFound {
    let estimate =
        |of: &dyn Fn(&Peak) -> f64| Estimate { value: of(whole), spread: Spread::of(rounds.iter().map(of)) };
    PeakFound {
        latency_ms: estimate(&|peak| latency_ms(peak.at)),
        amplitude: estimate(&|peak| peak.amplitude),
        window_mean: estimate(&|peak| peak.mean),
        at_edge: whole.at_edge,
    }
}
