//! The limits of a scenario, and which of them are known to be missed.

use serde::Deserialize;

/// What an alignment has to meet: the table `[expect]`. Where a key is absent, its default is the limit, not none.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Expect {
    /// Share of the events whose interval holds the truth, over all seeds.
    pub held_at_least: f64,
    /// Largest |error| ÷ `u95` of any event of any seed.
    pub worst_ratio_at_most: f64,
    /// The same of what the causal estimator said a second after the event.
    pub live_held_at_least: f64,
    /// Likewise.
    pub live_worst_ratio_at_most: f64,
    /// 99 % of all events err by no more, in ms.
    pub p99_ms_at_most: Option<f64>,
    /// Mean `u95`, in ms.
    pub u95_ms_at_most: Option<f64>,
    /// Where an honest interval cannot be narrower: mean `u95`, in ms.
    pub u95_ms_at_least: Option<f64>,
    /// Mean `u95` in the first and last tenth of the session, divided by that in its middle tenth: what is far from the last
    /// sighting is known less.
    pub ends_over_middle_at_least: Option<f64>,
    /// Largest |error| ÷ `u95` of the column `sample`, against the true count of samples.
    pub sample_ratio_at_most: Option<f64>,
    /// Share of the events whose status is right, of those that do not lie within their interval of an edge of the samples.
    pub status_right_at_least: f64,
    /// Share of the events without a clock map.
    pub unplaced_at_most: f64,
    /// Share of the events put into the time of another restart of the device.
    pub elsewhere_at_most: f64,
    /// By how much the count of packets that came twice may be off in a seed.
    pub duplicates_off_at_most: u64,
    /// Likewise, of packets that came after a later one.
    pub reordered_off_at_most: u64,
    /// Likewise, of packets of the reference stream that never came, between its first and last ones.
    pub lost_off_at_most: u64,
    /// Segments.
    pub segments: u32,
    /// Kinds of link, as `alignment.json` names them, one of which each segment has; empty: any.
    pub link_kind: Vec<String>,
    /// Changes of clocks and grid that are named, all of them, in order of segment and time. Empty: none may be.
    pub changes: Vec<String>,
    /// What the words and notes of `alignment.json` have to contain.
    pub says: Vec<String>,
    /// What they must not contain.
    pub says_not: Vec<String>,
    /// Share of the seeds in which segments, kind, changes and words have to be as they should be.
    pub said_at_least: f64,
    /// Limits that are known to be missed: the run fails when one is met.
    pub known_miss: Vec<KnownMiss>,
}

impl Default for Expect {
    fn default() -> Self {
        Self {
            held_at_least: 0.93,
            worst_ratio_at_most: 3.0,
            live_held_at_least: 0.93,
            live_worst_ratio_at_most: 3.0,
            p99_ms_at_most: None,
            u95_ms_at_most: None,
            u95_ms_at_least: None,
            ends_over_middle_at_least: None,
            sample_ratio_at_most: None,
            status_right_at_least: 1.0,
            unplaced_at_most: 0.0,
            elsewhere_at_most: 0.0,
            duplicates_off_at_most: 0,
            reordered_off_at_most: 0,
            lost_off_at_most: 0,
            segments: 1,
            link_kind: Vec::new(),
            changes: Vec::new(),
            says: Vec::new(),
            says_not: Vec::new(),
            said_at_least: 0.95,
            known_miss: Vec::new(),
        }
    }
}

/// A limit that is known to be missed.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KnownMiss {
    /// The limit's key; `said` for what is asked of a share of the seeds.
    pub limit: String,
    /// Seeds over which alone it is missed too, so that few runs can tell whether it still is.
    pub seeds: Vec<u64>,
    /// What was measured, and over which seeds.
    pub measured: String,
}

#[derive(Deserialize)]
struct File {
    expect: Expect,
}

impl Expect {
    /// The limits in a scenario's file.
    pub(super) fn from_toml(text: &str) -> Result<Self, String> {
        let file: File = toml::from_str(text).map_err(|error| error.to_string())?;
        for known in &file.expect.known_miss {
            if known.seeds.is_empty() || known.measured.is_empty() {
                return Err(format!("known_miss {}: expected seeds and what was measured", known.limit));
            }
        }
        Ok(file.expect)
    }
}
