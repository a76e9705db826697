//! One row for each recording: as columns, as CSV, and as a person reads it.

use std::fmt::Write as _;
use std::io::{self, Write};

use serde::{Deserialize, Serialize};
use tickseam_record::{Alignment, TableCells, TableColumn, csv_field};

use crate::summary::{duration, largest_line, milliseconds, paragraph};

/// What became of one recording.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Outcome {
    /// Its results are there.
    Aligned,
    /// It has none of this run.
    Failed,
}

impl Outcome {
    /// The word.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Aligned => "aligned",
            Self::Failed => "failed",
        }
    }
}

/// One recording's line of the table.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Row {
    /// Its path below the folders that were given, with `/`: the path of its results below the output folder, too.
    pub recording: String,
    /// What became of it.
    pub status: Outcome,
    /// Why it failed.
    pub message: Option<String>,
    /// From the first packet's stamp to the last one's, s.
    pub duration_s: Option<f64>,
    /// Stretches between restarts of the device's counters.
    pub segments: Option<u64>,
    /// Packets received, over all streams.
    pub packets_received: Option<u64>,
    /// Packets that never came, over all streams.
    pub packets_missing: Option<u64>,
    /// All events.
    pub events: Option<u64>,
    /// Events placed where samples were received.
    pub events_placed: Option<u64>,
    /// Events whose samples were lost.
    pub events_in_gap: Option<u64>,
    /// Events before the first or after the last sample.
    pub events_outside: Option<u64>,
    /// Events without a clock map.
    pub events_unplaced: Option<u64>,
    /// Median of `u95_ms` over the events that have one, ms.
    pub u95_median_ms: Option<f64>,
    /// Largest `u95_ms`, ms.
    pub u95_largest_ms: Option<f64>,
    /// Drift by the map that holds for longest, ppm; positive = the headset's clock runs fast against the phone's.
    pub drift_ppm: Option<f64>,
    /// How packets wait on the link in the segment with most arrivals: a `link_kind` of `alignment.json`.
    pub link_kind: Option<String>,
    /// The largest line of the median budget: `scatter` of the delays, the link's `grid`, `wander` of the crystal, `holdover`, fixed
    /// `delay`, `stamps`, `latency` of the events' labels.
    pub limit: Option<String>,
    /// The components that it is fit for, parted by `; `; empty for none, missing without events.
    #[serde(default)]
    pub fit_for: Option<String>,
    /// The fixed delay is known in all segments; else every onset is early by it, and no `u95` counts it.
    pub fixed_delay_known: Option<bool>,
    /// Of a simulated recording: share of events whose interval held the truth, 0 to 1.
    pub interval_held_share: Option<f64>,
}

impl Row {
    /// Of a recording that failed.
    pub fn failed(recording: String, message: String) -> Self {
        Self {
            recording,
            status: Outcome::Failed,
            message: Some(message),
            duration_s: None,
            segments: None,
            packets_received: None,
            packets_missing: None,
            events: None,
            events_placed: None,
            events_in_gap: None,
            events_outside: None,
            events_unplaced: None,
            u95_median_ms: None,
            u95_largest_ms: None,
            drift_ppm: None,
            link_kind: None,
            limit: None,
            fit_for: None,
            fixed_delay_known: None,
            interval_held_share: None,
        }
    }

    /// Of a recording that was aligned.
    pub fn aligned(recording: String, alignment: &Alignment, duration_s: f64) -> Self {
        let segments = &alignment.segments;
        let sum =
            |of: fn(&tickseam_record::StreamSummary) -> u64| Some(alignment.streams.iter().map(of).sum());
        let longest = segments
            .iter()
            .flat_map(|segment| &segment.maps)
            .max_by(|a, b| (a.valid_to_s - a.valid_from_s).total_cmp(&(b.valid_to_s - b.valid_from_s)));
        let fullest = segments.iter().max_by_key(|segment| segment.arrivals_used);
        let events = &alignment.events;
        Self {
            recording,
            status: Outcome::Aligned,
            message: None,
            duration_s: finite(duration_s),
            segments: Some(segments.len() as u64),
            packets_received: sum(|stream| stream.packets_received),
            packets_missing: sum(|stream| stream.packets_missing),
            events: Some(events.total),
            events_placed: Some(events.placed),
            events_in_gap: Some(events.in_gap),
            events_outside: Some(events.outside),
            events_unplaced: Some(events.unplaced),
            u95_median_ms: events.u95_median_ms.and_then(finite),
            u95_largest_ms: events.u95_largest_ms.and_then(finite),
            drift_ppm: longest.and_then(|map| finite(map.drift_ppm)),
            link_kind: fullest.map(|segment| segment.link_kind.clone()),
            limit: limit(alignment).map(str::to_owned),
            fit_for: alignment.verdict.as_ref().map(|verdict| verdict.fit_for.join("; ")),
            fixed_delay_known: (!segments.is_empty())
                .then(|| segments.iter().all(|segment| segment.fixed_delay_known)),
            interval_held_share: alignment
                .error_against_truth
                .as_ref()
                .map(|error| error.interval_held_share),
        }
    }
}

fn finite(number: f64) -> Option<f64> {
    Some(number).filter(|number| number.is_finite())
}

/// What limits most events, in a word.
fn limit(alignment: &Alignment) -> Option<&'static str> {
    const WORDS: [&str; 7] = ["scatter", "grid", "wander", "holdover", "delay", "stamps", "latency"];
    let (line, _) = largest_line(&alignment.events.budget_median?);
    WORDS.get(line).copied()
}

/// The unit that a column's name ends in.
fn unit(name: &str) -> &'static str {
    ["s", "ms", "ppm"].into_iter().find(|unit| name.ends_with(&format!("_{unit}"))).unwrap_or("1")
}

/// The table as columns, whatever it is written as.
pub fn columns(rows: &[Row]) -> Vec<TableColumn> {
    let column = |name, cells| TableColumn { name, unit: unit(name), cells };
    let text = |of: fn(&Row) -> Option<String>| TableCells::Text(rows.iter().map(of).collect());
    let number = |of: fn(&Row) -> Option<f64>| TableCells::Number(rows.iter().map(of).collect());
    let count = |of: fn(&Row) -> Option<u64>| TableCells::Count(rows.iter().map(of).collect());
    let flag = |of: fn(&Row) -> Option<bool>| TableCells::Flag(rows.iter().map(of).collect());
    vec![
        column("recording", text(|row| Some(row.recording.clone()))),
        column("status", text(|row| Some(row.status.as_str().to_owned()))),
        column("message", text(|row| row.message.clone())),
        column("duration_s", number(|row| row.duration_s)),
        column("segments", count(|row| row.segments)),
        column("packets_received", count(|row| row.packets_received)),
        column("packets_missing", count(|row| row.packets_missing)),
        column("events", count(|row| row.events)),
        column("events_placed", count(|row| row.events_placed)),
        column("events_in_gap", count(|row| row.events_in_gap)),
        column("events_outside", count(|row| row.events_outside)),
        column("events_unplaced", count(|row| row.events_unplaced)),
        column("u95_median_ms", number(|row| row.u95_median_ms)),
        column("u95_largest_ms", number(|row| row.u95_largest_ms)),
        column("drift_ppm", number(|row| row.drift_ppm)),
        column("link_kind", text(|row| row.link_kind.clone())),
        column("limit", text(|row| row.limit.clone())),
        column("fit_for", text(|row| row.fit_for.clone())),
        column("fixed_delay_known", flag(|row| row.fixed_delay_known)),
        column("interval_held_share", number(|row| row.interval_held_share)),
    ]
}

/// One cell as CSV has it: empty where nothing is known, numbers with all their digits.
fn csv(cells: &TableCells, row: usize) -> String {
    match cells {
        TableCells::Text(cells) => {
            cells.get(row).cloned().flatten().map_or_else(String::new, |text| csv_field(&text))
        }
        TableCells::Number(cells) => shown(cells, row),
        TableCells::Count(cells) => shown(cells, row),
        TableCells::Flag(cells) => shown(cells, row),
    }
}

fn shown<T: Copy + std::fmt::Display>(cells: &[Option<T>], row: usize) -> String {
    cells.get(row).copied().flatten().map_or_else(String::new, |value| value.to_string())
}

/// Writes `recordings.csv`.
///
/// # Errors
/// Whatever the operating system refuses.
pub fn write_csv(rows: &[Row], out: &mut dyn Write) -> io::Result<()> {
    let columns = columns(rows);
    let line = |cells: Vec<String>| cells.join(",");
    writeln!(out, "{}", line(columns.iter().map(|column| column.name.to_owned()).collect()))?;
    (0..rows.len()).try_for_each(|row| {
        writeln!(out, "{}", line(columns.iter().map(|column| csv(&column.cells, row)).collect()))
    })
}

/// A time of some ms in as few characters as say it.
pub(super) fn ms(ms: Option<f64>) -> String {
    match ms {
        None => "-".to_owned(),
        Some(ms) if ms < 1e4 => milliseconds(ms).trim_end_matches(" ms").to_owned(),
        Some(ms) => format!("{ms:.0e}"),
    }
}

/// A length of time in at most seven characters.
pub(super) fn length(seconds: Option<f64>) -> String {
    let Some(seconds) = seconds else { return "-".to_owned() };
    let minutes = (seconds / 60.0).round() as u64;
    if seconds < 120.0 {
        format!("{seconds:.0} s")
    } else if minutes < 120 {
        format!("{minutes} min")
    } else if minutes < 6000 {
        format!("{} h {:02}", minutes / 60, minutes % 60)
    } else {
        format!("{} h", minutes / 60)
    }
}

/// Share of the events that are placed, in per cent, never rounded up to all.
pub(super) fn placed_percent(row: &Row) -> String {
    match row.events.zip(row.events_placed) {
        Some((events, placed)) if events > 0 => {
            let percent = (placed as f64 / events as f64 * 1000.0).floor() / 10.0;
            if placed == events { "100".to_owned() } else { format!("{percent:.1}") }
        }
        _ => "-".to_owned(),
    }
}

/// A text of at most so many characters, its middle left out where it is longer.
fn shortened(text: &str, room: usize) -> String {
    let characters: Vec<char> = text.chars().map(|c| if c.is_control() { '?' } else { c }).collect();
    if characters.len() <= room {
        return characters.into_iter().collect();
    }
    let back = (room.saturating_sub(1)) * 2 / 3;
    let front = room.saturating_sub(1).saturating_sub(back);
    let begin = characters.iter().take(front);
    let end = characters.iter().skip(characters.len() - back);
    begin.chain(['…'].iter()).chain(end).collect()
}

/// What a person reads at the end, at most 80 columns wide. `kept` says how many were not run again.
pub fn for_people(rows: &[Row], kept: usize, out: &str) -> String {
    let failed = rows.iter().filter(|row| row.status == Outcome::Failed).count();
    let mut text = String::new();
    let _ = writeln!(
        text,
        "{:<23} {:>8} {:>6} {:>6} {:>7} {:>7} {:>7} {:>8}",
        "", "length", "events", "placed", "u95", "worst", "drift", "limited"
    );
    let _ = writeln!(
        text,
        "{:<23} {:>8} {:>6} {:>6} {:>7} {:>7} {:>7} {:>8}",
        "recording", "", "", "%", "ms", "ms", "ppm", "by"
    );
    for row in rows {
        let name = shortened(&row.recording, 23);
        if row.status == Outcome::Failed {
            let _ = writeln!(text, "{name:<23}   failed");
            continue;
        }
        let _ = writeln!(
            text,
            "{name:<23} {:>8} {:>6} {:>6} {:>7} {:>7} {:>7} {:>8}",
            length(row.duration_s),
            row.events.unwrap_or(0),
            placed_percent(row),
            ms(row.u95_median_ms),
            ms(row.u95_largest_ms),
            row.drift_ppm.map_or_else(|| "-".to_owned(), |ppm| format!("{ppm:+.1}")),
            row.limit.as_deref().unwrap_or("-"),
        );
    }
    text.push('\n');
    for row in rows.iter().filter(|row| row.status == Outcome::Failed) {
        let message = row.message.as_deref().unwrap_or("");
        paragraph(
            &mut text,
            "Failed",
            &format!("{}: {}", shortened(&row.recording, 60), shortened(message, 2000)),
        );
    }
    let without: Vec<String> = rows
        .iter()
        .filter(|row| row.fixed_delay_known == Some(false))
        .map(|row| shortened(&row.recording, 60))
        .collect();
    if !without.is_empty() {
        paragraph(
            &mut text,
            "Delay",
            &format!(
                "nobody knows the fixed delay of {}: onsets are early by it, and no u95 counts it.",
                named(&without)
            ),
        );
    }
    let total_s: f64 = rows.iter().filter_map(|row| row.duration_s).sum();
    let mut all = format!("{} recordings, {}", rows.len(), duration(total_s));
    if kept > 0 {
        let _ = write!(
            all,
            "; {kept} of them as an earlier run left them, since nothing has changed (--again runs all)"
        );
    }
    if failed > 0 {
        let _ = write!(all, "; {failed} failed");
    }
    paragraph(&mut text, "All", &format!("{all}."));
    paragraph(
        &mut text,
        "Written",
        &format!("index.html, recordings.csv and a folder for each recording, in {out}"),
    );
    text
}

/// Some names, and how many more.
fn named(names: &[String]) -> String {
    match names {
        [] => String::new(),
        [one] => one.clone(),
        [one, two] => format!("{one} and {two}"),
        [one, two, rest @ ..] => format!("{one}, {two} and {} more", rest.len()),
    }
}

#[cfg(test)]
mod tests;
