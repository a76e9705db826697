//! Recording folders: reading what a phone captured, writing what an alignment found.
//!
//! # A recording folder
//! | file | needed | what it holds |
//! | --- | --- | --- |
//! | `recording.toml` | yes | what is known of the two clocks, the link and the streams ([`Description`]) |
//! | `packets.csv` | yes | one row per packet received, in the order in which the host received them ([`Packets`]) |
//! | `events.csv` | no | what happened on the host's clock ([`Event`]) |
//! | `exchanges.csv` | no | two-way timestamp exchanges ([`Exchange`]) |
//! | `markers.csv` | no | instants seen by both clocks ([`Marker`]) |
//! | `<stream>.npy` | no | the samples ([`SampleArray`]); aligning does not need them |
//! | `truth.csv` | no | simulation only: where each event truly fell ([`Truth`]) |
//!
//! Text is UTF-8 (a byte order mark is passed over), lines end in `\n` or `\r\n`, CSV is RFC 4180 with a header row,
//! columns are found by name in any order, and unknown columns are passed over. Whole numbers are written in digits.
//! Empty lines are accepted at the end of a file. Rows longer than 64 KiB are refused.
//!
//! A last line without a line end was written by an app that crashed, or by hand. If it can be read it is kept, else it is
//! left out; a [`Note`] says which. Everything else that breaks the format is refused by [`read`] with a message such as
//!
//! ```text
//! packets.csv line 17, column "tick" (4): found "99999999999", expected a whole number from 0 to 4294967295 or an empty field
//! ```
//!
//! # What is written
//! [`OutputFolder`] gives files their names only when all are complete. [`EventsTable`] is `events.tsv`, [`write_gaps`]
//! writes `gaps.csv`, [`Alignment`] is `alignment.json`.
//!
//! ## The layout of `alignment.json`, version 1
//! The keys are the fields of [`Alignment`] and of the structs in it, by the same names; each field's text says its
//! meaning and unit.
//!
//! ```text
//! version, tickseam, numerics_revision
//! inputs[]    file, bytes, sha256
//! notes[]     sentences: what was passed over while reading
//! streams[]   name, packets_received, duplicates, late, rejected, packets_missing, samples_missing, gaps, longest_gap_s
//! segments[]  segment, clock, clock_hz, first_host_ns, last_host_ns, arrivals_used, exchanges_used, markers_used,
//!             link_kind, grid_interval_ms, beat_ms, beat_slips, slip_period_s, unseen_interval_ms,
//!             declared_interval_refuted, fixed_delay_refuted, fixed_delay_known, fixed_delay_ms, fixed_delay_u_ms
//!   maps[]    device_origin, host_origin_ns, valid_from_s, valid_to_s, drift_ppm, u_drift_ppm, u_offset_ms, offset_u95_ms
//!   changes[]  host_ns, step_ms, cause
//! events      total, placed, in_gap, outside, unplaced, u95_median_ms, u95_largest_ms
//!   budget_median  link_ms (of which statistics_ms, lattice_ms, curvature_ms), holdover_ms, fixed_delay_ms, resolution_ms, latency_ms
//! words[]     sentences: the result
//! error_against_truth, null without a truth.csv
//!             events_compared, interval_held_share, live_interval_held_share,
//!             placement, live, arrival_stamp, least_squares: each median_ms, p95_ms, p99_ms, largest_ms
//! ```
//! A number that is not known is `null`. Readers should pass over keys that they do not know.

mod description;
mod edf;
mod error;
mod npy;
mod output;
mod packets;
mod recording;
mod results;
mod rows;
mod tables;

pub use description::{
    Description, DeviceClock, EventLatency, FORMAT, HostClock, Link, MOST_STREAMS, Stream,
};
pub use edf::{EdfAnnotation, EdfFile, EdfKind, EdfSignal, EdfStart, record_length};
pub use error::{Malformed, Note, Place, ReadError, WriteError};
pub use npy::{NpyError, NumberType, SampleArray, write_npy_header};
pub use output::OutputFolder;
pub use packets::{Columns, Misfit, Packet, Packets};
pub use recording::{Recording, hash_inputs, read, write_recording, write_recording_with};
pub use results::{
    ALIGNMENT_VERSION, Alignment, BudgetSummary, Change, ErrorAgainstTruth, ErrorSizes, EventCounts,
    EventRow, EventsTable, Gap, InputFile, MapSummary, SegmentSummary, Status, StreamSummary, write_gaps,
};
pub use rows::LONGEST_ROW_BYTES;
pub use tables::{Event, Exchange, Marker, Truth};
