//! `events.json`: the sidecar that the Brain Imaging Data Structure (BIDS) asks for beside an events file, with a text for each column.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, Write};

use serde::{Serialize, Serializer};

use crate::description::{Description, EventLatency};
use crate::results::{EventsTable, Status, tab_field};

/// Most labels that are listed one by one. An experiment has some ten; labels of which each is another are no levels.
const MOST_LEVELS: usize = 200;

/// What the sidecar says of one column, by the keys of BIDS.
#[derive(Serialize)]
#[serde(rename_all = "PascalCase")]
struct Column {
    long_name: String,
    description: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    units: Option<&'static str>,
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    levels: BTreeMap<String, String>,
}

impl Column {
    fn new(long_name: &str, description: impl Into<String>) -> Self {
        let (long_name, description) = (long_name.to_owned(), description.into());
        Self { long_name, description, units: None, levels: BTreeMap::new() }
    }

    fn units(self, units: &'static str) -> Self {
        Self { units: Some(units), ..self }
    }
}

/// Columns with their names, in the order of the table.
struct Sidecar(Vec<(String, Column)>);

impl Serialize for Sidecar {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_map(self.0.iter().map(|(name, column)| (name, column)))
    }
}

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
    let reference = description.streams.first().map_or("", |stream| stream.name.as_str());
    let status_levels = [Status::Placed, Status::InGap, Status::Outside, Status::Unplaced].map(|status| {
        let text = match status {
            Status::Placed => "The event has a place, and the samples there were received.",
            Status::InGap => "The time is known, but the samples there were lost.",
            Status::Outside => "The event lies before the first or after the last sample of its segment.",
            Status::Unplaced => "No relation between the clocks could be found: there is no onset.",
        };
        (status.as_str().to_owned(), text.to_owned())
    });
    let left_out = "Nobody knows the link's fixed delay: the onset is too early by it.";
    let columns = [
        (
            "onset",
            Column::new(
                "Onset",
                format!(
                    "When the event happened, on the device's own timeline at its nominal rate, counted from the first sample of \
                     the earliest packet of the stream {reference:?} that was received in the segment. Known to within u95_ms."
                ),
            )
            .units("s"),
        ),
        (
            "duration",
            Column::new("Duration", "How long the event lasted, as it was recorded; n/a where unsaid.").units("s"),
        ),
        (
            "trial_type",
            Column {
                levels: levels(table, description),
                ..Column::new("Event label", "What happened, by its label in the recording.")
            },
        ),
        (
            "sample",
            Column::new(
                "Sample",
                format!(
                    "The same place in samples of the stream {reference:?}: onset times its nominal rate, counted from 0, with its \
                     fraction."
                ),
            ),
        ),
        (
            "host_ns",
            Column::new("Host stamp", "The event's stamp by the clock of the phone or computer, from any origin.")
                .units("ns"),
        ),
        (
            "segment",
            Column::new(
                "Segment",
                "Which stretch between restarts of the device's counters, counted from 0; onsets count anew in each.",
            ),
        ),
        (
            "u95_ms",
            Column::new(
                "Expanded uncertainty of the onset, 95 %",
                "Half-width of the 95 % interval around the onset: statistics, drift, fixed delay, stamp resolution and the \
                 label's latency counted, but for what the column excludes names.",
            )
            .units("ms"),
        ),
        (
            "status",
            Column {
                levels: status_levels.into(),
                ..Column::new("Status of the placement", "Whether the event has a place on the sample timeline.")
            },
        ),
        (
            "live_onset",
            Column::new(
                "Onset as known live",
                "The onset as the causal estimator said it, from what had arrived up to one second after the event; n/a where it \
                 said none for this segment.",
            )
            .units("s"),
        ),
        (
            "live_u95_ms",
            Column::new(
                "Expanded uncertainty of the live onset, 95 %",
                "Half-width of the 95 % interval around live_onset.",
            )
            .units("ms"),
        ),
    ];
    let mut columns: Vec<(String, Column)> =
        columns.into_iter().map(|(name, column)| (name.to_owned(), column)).collect();
    columns.extend(table.further_streams.iter().map(|name| {
        let name = tab_field(name);
        let text = format!(
            "The event's place in samples of the stream {name:?}, counted from 0 at its own first sample in the segment, with its \
             fraction; n/a where the stream has none there."
        );
        (format!("sample_{name}"), Column::new(&format!("Sample of {name}"), text))
    }));
    columns.push((
        "excludes".to_owned(),
        Column {
            levels: [("fixed-delay".to_owned(), left_out.to_owned())].into(),
            ..Column::new(
                "What the onset leaves out",
                "What neither the onset nor u95_ms reckons with; n/a for nothing.",
            )
        },
    ));
    serde_json::to_writer_pretty(&mut *out, &Sidecar(columns))?;
    writeln!(out)
}

/// A text for each label, as it stands in the table; none where there are too many.
fn levels(table: &EventsTable, description: &Description) -> BTreeMap<String, String> {
    let labels: BTreeSet<&str> =
        table.rows.iter().map(|row| row.label.as_str()).filter(|label| !label.is_empty()).collect();
    if labels.len() > MOST_LEVELS {
        return BTreeMap::new();
    }
    let level = |label: &str| {
        let text = match description.event_latency.get(label) {
            Some(EventLatency { latency_ms, latency_u_ms }) => format!(
                "Stamped with this label; the event itself was taken to come {latency_ms} ms after its stamp, with a standard \
                 uncertainty of {latency_u_ms} ms."
            ),
            None => "Stamped with this label.".to_owned(),
        };
        (tab_field(label), text)
    };
    labels.into_iter().map(level).collect()
}
