//! Many recordings in one go: found, aligned on all cores, summed up in a table and a page.
//!
//! `folders → find → run → table → page`, one direction. Each recording's results go into a sub-folder of one output folder, by the same
//! relative path; beside them `index.html` and `recordings.csv` sum up all of them.
//!
//! # Picking up where it stopped
//! Every results folder holds a `run.json`: version, numerics revision and options, size and SHA-256 of each input and each result, and the
//! recording's row of the table. A recording of which all of that still holds is not run again. New results are made in a folder beside the
//! old ones (`.NAME.new`) and change places with them in one step, so that whenever a run ends, by whatever cause, each results folder is
//! whole: old or new. (Where the system cannot exchange two folders, there are two steps; a run that was killed between them leaves the old
//! results in `.NAME.old`, and the next run brings them back.) Files in a results folder that no run wrote are left alone.
//!
//! # Memory
//! As many recordings at a time as there are threads, `RAYON_NUM_THREADS` or one for each core: so at most that many times what the largest
//! recording takes alone.
//!
//! # `recordings.csv`, and the keys of a JSON line
//! Columns and keys are the fields of [`Row`](table::Row) by the same names; what is not known is empty, or `null`. A run in which nothing
//! changed writes the same bytes.

pub mod find;
pub mod page;
pub mod place;
pub mod run;
pub mod table;
