//! What an average says: in words, as JSON, as tables.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io::{self, Write};
use std::path::Path;

use serde_json::{Value, json};
use tickseam_record::Event;

use super::statistics::{Mean, low_pass_sd_s};
use super::{Average, Estimate, PeakFound, Plan, Polarity, Trial, Verdict};
use crate::align::Aligned;
use crate::summary::paragraph;
use crate::verdict::attenuation::amplitude_kept;

/// Version of the layout of `average.json`.
const VERSION: u32 = 1;

/// Standard deviations of the components whose attenuation is told, ms: a narrow one and a broad one. Own choice.
const COMPONENTS_MS: [f64; 2] = [15.0, 60.0];

/// Labels that a message lists.
const LABELS_TOLD: usize = 20;

pub(super) fn no_such_label(label: &str, events: &[Event]) -> String {
    let mut labels: BTreeMap<&str, usize> = BTreeMap::new();
    for event in events {
        *labels.entry(&event.label).or_default() += 1;
    }
    let told: Vec<String> =
        labels.iter().take(LABELS_TOLD).map(|(label, count)| format!("{label:?} ({count})")).collect();
    let more = labels.len().saturating_sub(LABELS_TOLD);
    let more = if more > 0 { format!(" and {more} more labels") } else { String::new() };
    if told.is_empty() {
        return format!("label {label:?}: the recording has no events at all");
    }
    format!("label {label:?}: found no such events, expected one of {}{more}", told.join(", "))
}

pub(super) fn too_few(plan: &Plan, trials: &[Trial]) -> String {
    let used = trials.iter().filter(|trial| trial.verdict == Verdict::Used).count();
    let left_out = left_out(plan, trials);
    let why = if left_out.is_empty() { String::new() } else { format!("; {}", left_out.join(", ")) };
    format!("label {:?}: {used} of {} trials can be used, expected 2 or more{why}", plan.label, trials.len())
}

/// Why how many trials were left out.
fn left_out(plan: &Plan, trials: &[Trial]) -> Vec<String> {
    let limit = plan.most_u95_ms.map_or_else(String::new, |most_ms| format!(" above {most_ms} ms"));
    [
        (Verdict::InGap, "need samples that were lost".to_owned()),
        (Verdict::Outside, "need samples before the first or after the last".to_owned()),
        (Verdict::Unplaced, "have no place".to_owned()),
        (Verdict::Uncertain, format!("are known with a u95{limit}")),
        (Verdict::NotFinite, "hold samples that are not finite".to_owned()),
    ]
    .into_iter()
    .filter_map(|(verdict, words)| {
        let count = trials.iter().filter(|trial| trial.verdict == verdict).count();
        (count > 0).then(|| format!("{count} {words}"))
    })
    .collect()
}

fn range(range_ms: [f64; 2]) -> String {
    format!("{} to {} ms", range_ms[0], range_ms[1])
}

/// A number with its interval.
fn stated(value: f64, interval: [f64; 2], decimals: usize) -> String {
    format!("{value:.decimals$} ({:.decimals$} to {:.decimals$})", interval[0], interval[1])
}

/// What a person reads.
pub fn for_people(average: &Average, name: &str, out: &Path) -> String {
    let Average { plan, trials, mean, .. } = average;
    let mut text = String::new();
    let of = format!("{} of {name}, label {:?}.", average.stream, plan.label);
    paragraph(&mut text, "Average", &of);
    let mut words = format!("{} of {} are used", mean.count, trials.len());
    for reason in left_out(plan, trials) {
        let _ = write!(words, "; {reason}");
    }
    let _ = write!(
        words,
        ". Values rest on samples up to {:.0} ms beyond the window. Each trial stands in trials.csv.",
        average.reach_ms
    );
    paragraph(&mut text, "Trials", &words);
    let mut words = format!("{} at {} Hz; ", range(plan.window_ms), plan.rate_hz.unwrap_or(f64::NAN));
    words += &match plan.baseline_ms {
        Some(range_ms) => format!("baseline {}", range(range_ms)),
        None => "no baseline".to_owned(),
    };
    if let Some(half_hz) = plan.low_pass_hz {
        let sd_ms = low_pass_sd_s(half_hz) * 1e3;
        let _ = write!(
            words,
            "; Gaussian low-pass filter, half amplitude at {half_hz} Hz (it widens like a scatter of {sd_ms:.1} ms)"
        );
    }
    paragraph(&mut text, "Window", &format!("{words}."));
    let [median_ms, largest_ms] = average.u95_ms;
    let mut words = format!(
        "onsets are known to ±{median_ms:.3} ms (median u95), the least sure to ±{largest_ms:.3} ms. All of the median may be \
         shared by all trials, which no average takes away: it is in the latencies of the replayed onsets below."
    );
    if average.excludes_fixed_delay {
        words += " Nobody knows the link's fixed delay: onsets are too early by it, and latencies too long, by an amount that is \
                  not stated here.";
    }
    paragraph(&mut text, "Timing", &words);
    if let Some(by_arrival) = &average.by_arrival {
        let [shift_ms, scatter_ms] = by_arrival.shift_ms;
        let kept = |scatter_ms: f64| {
            COMPONENTS_MS.map(|component_ms| {
                let kept = amplitude_kept(component_ms, scatter_ms) * 100.0;
                // Rounded down, as 100 % would say that nothing is lost.
                format!("{:.1} %", (kept * 10.0).floor() / 10.0)
            })
        };
        let (by_stamp, replayed) = (kept(scatter_ms), kept(median_ms / 1.96));
        let words = format!(
            "against the replayed onsets, arrival stamps lie {:.2} ms {} on average and scatter by {scatter_ms:.2} ms (standard \
             deviation). A Gaussian component of {} ms keeps {} of its amplitude under that, one of {} ms {}; replayed, at \
             least {} and {}.",
            shift_ms.abs(),
            if shift_ms < 0.0 { "early" } else { "late" },
            COMPONENTS_MS[0],
            by_stamp[0],
            COMPONENTS_MS[1],
            by_stamp[1],
            replayed[0],
            replayed[1]
        );
        paragraph(&mut text, "Scatter", &words);
    }
    let words = format!(
        "{} peak, {}; in brackets 95 % intervals by the percentile bootstrap over trials ({} rounds, seed {}).",
        if plan.polarity == Polarity::Positive { "largest" } else { "smallest" },
        range(plan.peak_ms),
        plan.rounds,
        plan.seed
    );
    paragraph(&mut text, "Peak", &words);
    let unit = if plan.unit.is_empty() { "units of the file".to_owned() } else { plan.unit.clone() };
    let row = |text: &mut String, channel: &str, by: &str, latency: &str, amplitude: &str| {
        let line = format!("{channel:<13}{by:<12}{latency:<27}{amplitude}");
        let _ = writeln!(text, "{}", line.trim_end());
    };
    text.push('\n');
    row(&mut text, "channel", "onsets", "latency, ms", &format!("amplitude, {unit}"));
    let decimals = |value: f64| if value.abs() < 10.0 { 2 } else { usize::from(value.abs() < 1000.0) };
    let amplitude = |found: &Estimate| stated(found.value, found.spread.interval, decimals(found.value));
    for (place, channel) in plan.channels.iter().enumerate() {
        let peak = &average.peaks[place];
        let latency = peak.latency_ms;
        let interval = latency.spread.with_shift(latency.value, median_ms);
        let edge = |peak: &PeakFound| if peak.at_edge { " at the edge" } else { "" };
        row(
            &mut text,
            &channel.to_string(),
            "replayed",
            &stated(latency.value, interval, 1),
            &format!("{}{}", amplitude(&peak.amplitude), edge(peak)),
        );
        if let Some(by_arrival) = &average.by_arrival {
            let peak = &by_arrival.peaks[place];
            let latency = stated(peak.latency_ms.value, peak.latency_ms.spread.interval, 1);
            row(
                &mut text,
                "",
                "by stamps",
                &latency,
                &format!("{}{}", amplitude(&peak.amplitude), edge(peak)),
            );
            let (latency, height) =
                (&by_arrival.latency_difference_ms[place], &by_arrival.amplitude_difference[place]);
            let latency = stated(latency.value, latency.spread.interval, 1);
            row(&mut text, "", "difference", &latency, &amplitude(height));
        }
    }
    text.push('\n');
    if average.peaks.iter().any(|peak| peak.at_edge) {
        paragraph(
            &mut text,
            "Edge",
            "where a peak lies at the edge of its window the values go on beyond: look at the plot and set --peak.",
        );
    }
    if average.by_arrival.is_none() {
        paragraph(
            &mut text,
            "Stamps",
            "too few trials can be placed on this stream by arrival stamps, so nothing stands beside the average.",
        );
    }
    let files = "average.svg, average.csv, average.npy, standard_error.npy, trials.csv, average.json";
    paragraph(&mut text, "Written", &format!("{}: {files}", out.display()));
    text
}

/// `average.json`: all numbers, with their units in the keys. Version 1.
pub fn json(average: &Average) -> Value {
    let plan = &average.plan;
    let estimate = |found: &Estimate| {
        json!({
            "value": found.value,
            "interval_95": found.spread.interval,
            "standard_error": found.spread.standard_error,
        })
    };
    let peak = |found: &PeakFound| {
        json!({
            "latency_ms": estimate(&found.latency_ms),
            "amplitude": estimate(&found.amplitude),
            "window_mean": estimate(&found.window_mean),
            "at_edge": found.at_edge,
        })
    };
    let channels: Vec<Value> = plan
        .channels
        .iter()
        .enumerate()
        .map(|(place, channel)| {
            let mut replayed = peak(&average.peaks[place]);
            let latency = &average.peaks[place].latency_ms;
            replayed["latency_with_placement_interval_95_ms"] =
                json!(latency.spread.with_shift(latency.value, average.u95_ms[0]));
            let mut of_channel = json!({ "channel": channel, "replayed": replayed });
            if let Some(by_arrival) = &average.by_arrival {
                of_channel["arrival_stamps"] = peak(&by_arrival.peaks[place]);
                of_channel["arrival_less_replayed"] = json!({
                    "latency_ms": estimate(&by_arrival.latency_difference_ms[place]),
                    "amplitude": estimate(&by_arrival.amplitude_difference[place]),
                });
            }
            of_channel
        })
        .collect();
    let counts: BTreeMap<&str, usize> = average.trials.iter().fold(BTreeMap::new(), |mut counts, trial| {
        *counts.entry(trial.verdict.as_str()).or_default() += 1;
        counts
    });
    json!({
        "version": VERSION,
        "tickseam": env!("CARGO_PKG_VERSION"),
        "numerics_revision": crate::NUMERICS_REVISION,
        "stream": average.stream,
        "label": plan.label,
        "unit": if plan.unit.is_empty() { Value::Null } else { json!(plan.unit) },
        "window_ms": plan.window_ms,
        "baseline_ms": plan.baseline_ms,
        "peak_window_ms": plan.peak_ms,
        "polarity": if plan.polarity == Polarity::Positive { "positive" } else { "negative" },
        "rate_hz": plan.rate_hz,
        "low_pass_half_amplitude_hz": plan.low_pass_hz,
        "most_u95_ms": plan.most_u95_ms,
        "reach_ms": average.reach_ms,
        "bootstrap_rounds": plan.rounds,
        "bootstrap_seed": plan.seed,
        "trials": counts,
        "u95_median_ms": average.u95_ms[0],
        "u95_largest_ms": average.u95_ms[1],
        "excludes_fixed_delay": average.excludes_fixed_delay,
        "arrival_stamp_trials": average.by_arrival.as_ref().map(|by_arrival| by_arrival.mean.count),
        "arrival_stamp_shift_mean_ms": average.by_arrival.as_ref().map(|by_arrival| by_arrival.shift_ms[0]),
        "arrival_stamp_shift_sd_ms": average.by_arrival.as_ref().map(|by_arrival| by_arrival.shift_ms[1]),
        "channels": channels,
    })
}

/// `average.csv`: a row for each point of the grid; for each channel mean and standard error, and the same by arrival stamps.
///
/// # Errors
/// Whatever the operating system refuses.
pub fn write_average_csv(average: &Average, out: &mut dyn Write) -> io::Result<()> {
    let means: Vec<(&str, &Mean)> = [("", Some(&average.mean))]
        .into_iter()
        .chain([("arrival_", average.by_arrival.as_ref().map(|by_arrival| &by_arrival.mean))])
        .filter_map(|(name, mean)| Some((name, mean?)))
        .collect();
    write!(out, "time_ms")?;
    for channel in &average.plan.channels {
        for (name, _) in &means {
            write!(out, ",channel_{channel}_{name}mean,channel_{channel}_{name}standard_error")?;
        }
    }
    writeln!(out)?;
    let columns: Vec<(&[f64], Vec<f64>)> =
        means.iter().map(|(_, mean)| (mean.mean.as_slice(), mean.standard_error())).collect();
    let channels = average.plan.channels.len();
    for (point, time_ms) in average.time_ms.iter().enumerate() {
        write!(out, "{time_ms:.6}")?;
        for at in point * channels..(point + 1) * channels {
            for (mean, error) in &columns {
                write!(out, ",{},{}", mean[at], error[at])?;
            }
        }
        writeln!(out)?;
    }
    Ok(())
}

/// `trials.csv`: a row for each event of the label, in the recording's order. `event` counts all events of the recording from 0; `sample`
/// and the onsets are on the averaged stream's timeline.
///
/// # Errors
/// Whatever the operating system refuses.
pub fn write_trials_csv(
    average: &Average,
    aligned: &Aligned,
    rate_hz: f64,
    out: &mut dyn Write,
) -> io::Result<()> {
    writeln!(
        out,
        "event,host_ns,segment,onset_s,sample,u95_ms,verdict,arrival_onset_s,arrival_less_replayed_ms,arrival_verdict"
    )?;
    let decimal = |value: Option<f64>, decimals: usize| {
        value.map_or_else(String::new, |value| format!("{value:.decimals$}"))
    };
    for trial in &average.trials {
        let row = &aligned.events.rows[trial.event];
        let shift_ms =
            trial.arrival_onset_s.zip(trial.onset_s).map(|(arrival, onset)| (arrival - onset) * 1e3);
        writeln!(
            out,
            "{},{},{},{},{},{},{},{},{},{}",
            trial.event,
            row.host_ns,
            row.segment.map_or_else(String::new, |segment| segment.to_string()),
            decimal(trial.onset_s, 9),
            decimal(trial.onset_s.map(|onset_s| onset_s * rate_hz), 6),
            decimal(row.u95_ms, 6),
            trial.verdict.as_str(),
            decimal(trial.arrival_onset_s, 9),
            decimal(shift_ms, 6),
            if trial.verdict == Verdict::Used { trial.arrival_verdict.as_str() } else { "" },
        )?;
    }
    Ok(())
}
