//! Aligning recordings, and the `tickseam` command around that.
//!
//! Positive drift = the headset's clock runs fast against the phone's.

pub mod align;
pub mod average;
pub mod changes;
pub mod command;
pub mod compare;
pub mod continued;
pub mod demonstration;
pub mod estimate;
pub mod export;
mod live_answers;
pub mod pairs;
pub mod peers;
mod positions;
pub mod resolve;
pub mod schedule;
pub mod simulated;
pub mod stability;
mod summary;

/// Revision of the numerics: raised by any change of output for the same recording.
pub const NUMERICS_REVISION: u32 = 8;

/// All of `alignment.json` for an alignment of `captured`: what the command writes. `inputs` and `notes` are of the files that were read,
/// empty where there were none.
pub fn alignment(
    aligned: &align::Aligned,
    captured: &align::Captured<'_>,
    comparison: Option<&compare::Comparison>,
    inputs: Vec<tickseam_record::InputFile>,
    notes: Vec<String>,
) -> tickseam_record::Alignment {
    summary::alignment(aligned, comparison, inputs, notes, &summary::findings(aligned, captured))
}
