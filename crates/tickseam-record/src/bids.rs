//! `events.json`: the sidecar that the Brain Imaging Data Structure (BIDS) asks for beside an events file, with a text for each column.

use std::collections::BTreeSet;
use std::io::{self, Write};

use serde_json::{Map, Value, json};

use crate::description::{Description, EventLatency};
use crate::results::{EventsTable, Status, tab_field};

/// Most labels that are listed one by one. An experiment has some ten; labels of which each is another are no levels.
const MOST_LEVELS: usize = 200;

/// Writes `events.json` for a table: `LongName`, `Description`, `Units` and `Levels` of each column that [`EventsTable::write`] writes, by
/// the names that stand in its header.
///
/// # Errors
/// What the writer refuses.
pub fn write_events_sidecar(
    table: &EventsTable,
    description: &Description,
    out: &mut dyn Write,
) -> io::Result<()> {
    let mut columns = Map::new();
    let mut add = |name: &str, long: &str, text: &str, units: Option<&str>, levels: Option<Value>| {
        let mut column = Map::new();
        column.insert("LongName".to_owned(), long.into());
        column.insert("Description".to_owned(), text.into());
        column.extend(units.map(|units| ("Units".to_owned(), units.into())));
        column.extend(levels.map(|levels| ("Levels".to_owned(), levels)));
        columns.insert(name.to_owned(), column.into());
    };
    let reference = description.streams.first().map_or("", |stream| stream.name.as_str());
    add(
        "onset",
        "Onset",
        &format!(
            "When the event happened, on the device's own timeline at its nominal rate, counted from the first sample of the \
             earliest packet of the stream {reference:?} that was received in the segment. Known to within u95_ms."
        ),
        Some("s"),
        None,
    );
    add(
        "duration",
        "Duration",
        "How long the event lasted, as it was recorded; n/a where unsaid.",
        Some("s"),
        None,
    );
    let levels = levels(table, description);
    add("trial_type", "Event label", "What happened, by its label in the recording.", None, levels);
    add(
        "sample",
        "Sample",
        &format!(
            "The same place in samples of the stream {reference:?}: onset times its nominal rate, counted from 0, with its fraction."
        ),
        None,
        None,
    );
    add(
        "host_ns",
        "Host stamp",
        "The event's stamp by the clock of the phone or computer, from any origin.",
        Some("ns"),
        None,
    );
    add(
        "segment",
        "Segment",
        "Which stretch between restarts of the device's counters, counted from 0; onsets count anew in each.",
        None,
        None,
    );
    add(
        "u95_ms",
        "Expanded uncertainty of the onset, 95 %",
        "Half-width of the 95 % interval around the onset: statistics, drift, fixed delay, stamp resolution and the label's \
         latency counted, but for what the column excludes names.",
        Some("ms"),
        None,
    );
    let status = |status: Status| {
        let text = match status {
            Status::Placed => "The event has a place, and the samples there were received.",
            Status::InGap => "The time is known, but the samples there were lost.",
            Status::Outside => "The event lies before the first or after the last sample of its segment.",
            Status::Unplaced => "No relation between the clocks could be found: there is no onset.",
        };
        (status.as_str().to_owned(), Value::from(text))
    };
    let all = [Status::Placed, Status::InGap, Status::Outside, Status::Unplaced];
    add(
        "status",
        "Status of the placement",
        "Whether the event has a place on the sample timeline.",
        None,
        Some(Map::from_iter(all.map(status)).into()),
    );
    add(
        "live_onset",
        "Onset as known live",
        "The onset as the causal estimator said it, from what had arrived up to one second after the event; n/a where it said \
         none for this segment.",
        Some("s"),
        None,
    );
    add(
        "live_u95_ms",
        "Expanded uncertainty of the live onset, 95 %",
        "Half-width of the 95 % interval around live_onset.",
        Some("ms"),
        None,
    );
    for name in &table.further_streams {
        let name = tab_field(name);
        add(
            &format!("sample_{name}"),
            &format!("Sample of {name}"),
            &format!(
                "The event's place in samples of the stream {name:?}, counted from 0 at its own first sample in the segment, \
                 with its fraction; n/a where the stream has none there."
            ),
            None,
            None,
        );
    }
    add(
        "excludes",
        "What the onset leaves out",
        "What neither the onset nor u95_ms reckons with; n/a for nothing.",
        None,
        Some(json!({
            "fixed-delay": "Nobody knows the link's fixed delay: the onset is too early by it."
        })),
    );
    serde_json::to_writer_pretty(&mut *out, &columns)?;
    writeln!(out)
}

/// A text for each label, as it stands in the table; `None` where there is none, or too many.
fn levels(table: &EventsTable, description: &Description) -> Option<Value> {
    let labels: BTreeSet<&str> =
        table.rows.iter().map(|row| row.label.as_str()).filter(|label| !label.is_empty()).collect();
    if labels.is_empty() || labels.len() > MOST_LEVELS {
        return None;
    }
    let level = |label: &str| {
        let text = match description.event_latency.get(label) {
            Some(EventLatency { latency_ms, latency_u_ms }) => format!(
                "Stamped with this label; the event itself was taken to come {latency_ms} ms after its stamp, with a standard \
                 uncertainty of {latency_u_ms} ms."
            ),
            None => "Stamped with this label.".to_owned(),
        };
        (tab_field(label), Value::from(text))
    };
    Some(labels.into_iter().map(level).collect::<Map<_, _>>().into())
}
