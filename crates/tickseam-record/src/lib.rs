//! Recording folders: reading what a phone captured, writing what an alignment found.
//!
//! # A recording folder
//! | file | needed | what it holds |
//! | --- | --- | --- |
//! | `recording.toml` | yes | what is known of the two clocks, the link and the streams ([`Description`]) |
//! | `packets.csv` or `packets.parquet` | yes | one row per packet received, in the order in which the host received them ([`Packets`]) |
//! | `events.csv` or `events.parquet` | no | what happened on the host's clock ([`Event`]) |
//! | `exchanges.csv` | no | two-way timestamp exchanges ([`Exchange`]) |
//! | `markers.csv` | no | instants seen by both clocks ([`Marker`]) |
//! | `<stream>.npy` | no | the samples ([`SampleArray`], [`NpyWriter`]); aligning does not need them |
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
//! ## Parquet in
//! A table that is there as text and as Parquet is refused: nobody could tell which is meant. Columns have the same names and hold the
//! same; whole numbers may have any width, or be DOUBLE without a fraction, where NaN is a missing one; texts are STRING, plain or by
//! dictionary, and streams and labels may be whole numbers. An instant may be TIMESTAMP, which has its own unit. Pages may be
//! compressed by Snappy, gzip, Zstandard or LZ4. Refusals name the row instead of the line. Read in pieces of a row group; a file that
//! was damaged is refused.
//!
//! ## Other column names
//! [`read_named`] reads tables of somebody else's logger: [`ColumnNames`] says which of their columns holds what, and in which unit
//! times stand there. `tickseam replay FOLDER --columns host_ns=arrival:us,sequence=n,events.label=code` is the same on the command line.
//! Times in text are read digit by digit, never by way of a binary number; digits below a nanosecond are rounded to the nearest.
//!
//! With other names or without, a table of packets may lack three columns: `stream` where `recording.toml` has one stream, `tick` where
//! it describes no counter, and `samples`, which is then each stream's `samples_per_packet` (a [`Note`] says so).
//!
//! A text whose header has no comma but semicolons or tabs is separated by these: every table has two columns at the least, so that its
//! header can mean nothing else. Decimals have a point in any case.
//!
//! # What is written
//! [`OutputFolder`] gives files their names only when all are complete. [`EventsTable`] is `events.tsv`, [`write_events_sidecar`] writes
//! the `events.json` that BIDS asks for beside it, [`write_gaps`] writes `gaps.csv`, [`Alignment`] is `alignment.json`.
//!
//! ## `placements.parquet` and `packets.parquet`
//! [`placements_parquet`]: the columns of `events.tsv`, unrounded, then what each `u95_ms` is made of: `budget_link_ms`, of which
//! `budget_statistics_ms`, `budget_lattice_ms` and `budget_curvature_ms`; `budget_holdover_ms`, `budget_fixed_delay_ms`,
//! `budget_resolution_ms`, `budget_latency_ms`, as [`BudgetSummary`] says. [`packets_parquet`]: the columns of `packets.csv`, then
//!
//! | column | what it holds; null where a packet came twice, was refused or was never settled |
//! | --- | --- |
//! | `segment` | segment, counted from 0 |
//! | `index` | sequence number, its turns counted |
//! | `first_sample_s` | the packet's first sample on the timeline of `onset`, s; null without a clock in common with the reference stream |
//! | `delay_ms` | host stamp less the estimated host time of that sample, less the fixed delay of a packet of its length: what it waited |
//!
//! The files' metadata: `tickseam.version`, `tickseam.numerics_revision`, `tickseam.table`, `tickseam.units` (a JSON object: the unit of
//! each column, `1` for a number without one, empty for a text), `tickseam.inputs` (as in `alignment.json`, with SHA-256). Equal inputs
//! give equal bytes.
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
//!             streams_joined[], link_kind, grid_interval_ms, beat_ms, beat_slips, slip_period_s, unseen_interval_ms,
//!             declared_interval_refuted, fixed_delay_refuted, fixed_delay_known, fixed_delay_ms, fixed_delay_u_ms
//!   maps[]    device_origin, host_origin_ns, valid_from_s, valid_to_s, drift_ppm, u_drift_ppm, u_offset_ms, offset_u95_ms
//!   changes[]  host_ns, step_ms, cause
//! events      total, placed, in_gap, outside, unplaced, u95_median_ms, u95_largest_ms
//!   budget_median  link_ms (of which statistics_ms, lattice_ms, curvature_ms), holdover_ms, fixed_delay_ms, resolution_ms, latency_ms
//! words[]     sentences: the result
//! verdict     sentence, components[], fit_for[]; null without events
//!   conditions[]   label, events, placed, placed_share, u95_median_ms, u95_p95_ms, u95_largest_ms, latency_shift_ms,
//!                  fixed_delay_unknown, components[]: name, sd_ms, amplitude_left, fit, unmet[]
//!   differences[]  label, other_label, latency_difference_ms
//! error_against_truth, null without a truth.csv
//!             events_compared, interval_held_share, live_interval_held_share,
//!             placement, live, arrival_stamp, least_squares: each median_ms, p95_ms, p99_ms, largest_ms
//! ```
//! A number that is not known is `null`. Readers should pass over keys that they do not know.

mod bids;
pub mod capture;
mod columns;
mod description;
mod edf;
mod error;
mod npy;
mod npy_writer;
mod output;
mod packets;
mod parquet_in;
mod parquet_out;
mod recording;
mod results;
mod rows;
mod tables;
mod text;

pub use bids::write_events_sidecar;
pub use columns::{ColumnNames, NamesError, TimeUnit};
pub use description::{
    Description, DeviceClock, EventLatency, FORMAT, HostClock, Link, MOST_STREAMS, Stream,
};
pub use edf::{EdfAnnotation, EdfFile, EdfKind, EdfSignal, EdfStart, record_length};
pub use error::{Malformed, Note, Place, ReadError, WriteError};
pub use npy::{NpyError, NumberType, SampleArray, write_npy_header};
pub use npy_writer::{NpyType, NpyWriter};
pub use output::{OutputFolder, exchange, in_the_way_of};
pub use packets::{Columns, Misfit, Packet, PacketRows, Packets};
pub use parquet_out::{
    NO_SEGMENT, Origin, PacketTimeline, TableCells, TableColumn, packets_parquet, placements_parquet,
    table_parquet,
};
pub use recording::{
    Recording, csv_field, hash_files, hash_inputs, hash_inputs_while, read, read_named, write_recording,
    write_recording_with,
};
pub use results::{
    ALIGNMENT_VERSION, Alignment, BudgetSummary, Change, ComponentVerdict, ConditionVerdict,
    DifferenceVerdict, ErrorAgainstTruth, ErrorSizes, EventCounts, EventRow, EventsTable, Gap, InputFile,
    MapSummary, SegmentSummary, Status, StreamSummary, Verdict, write_gaps,
};
pub use rows::LONGEST_ROW_BYTES;
pub use tables::{Event, Exchange, Marker, Truth};
pub use text::read_text;
