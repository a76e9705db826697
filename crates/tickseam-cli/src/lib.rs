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
pub mod follow;
mod live_answers;
pub mod many;
pub mod packet_timeline;
mod page;
pub mod pairs;
pub mod peers;
mod positions;
mod quantile;
mod reception;
mod report;
pub mod resolve;
pub mod schedule;
pub mod simulated;
pub mod stability;
mod summary;
mod unit;
mod unpacked;
pub mod verdict;

/// Revision of the numerics: raised by any change of output for the same recording.
pub const NUMERICS_REVISION: u32 = 23;

/// All of `alignment.json` for an alignment of `captured`, judged by the built-in criteria: what the command writes. `inputs` and `notes` are of the files that were read,
/// empty where there were none.
pub fn alignment(
    aligned: &align::Aligned,
    captured: &align::Captured<'_>,
    comparison: Option<&compare::Comparison>,
    inputs: Vec<tickseam_record::InputFile>,
    notes: Vec<String>,
) -> tickseam_record::Alignment {
    let verdict = verdict::judge(aligned, &verdict::criteria::Criteria::default());
    summary::alignment(aligned, comparison, inputs, notes, &summary::findings(aligned, captured), verdict)
}
