//! One seed of one scenario: simulated, aligned, held against the truth.

use std::collections::{BTreeMap, BTreeSet};

use tickseam_cli::align::{Aligned, Captured, align};
use tickseam_cli::simulated;
use tickseam_record::{EventRow, Status};
use tickseam_sim::{Scenario, Simulated, TruePlace, simulate};

/// An answer beside the truth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Answer {
    /// Event's place in the session, 0 at its start and 1 at its end.
    pub(super) at: f64,
    /// Onset less true onset, ms.
    pub(super) error_ms: f64,
    /// The same of the column `sample`, at the true rate of the samples.
    pub(super) sample_error_ms: f64,
    /// Stated half-width, ms.
    pub(super) u95_ms: f64,
}

/// What one seed gave.
#[derive(Clone, Debug)]
pub struct Run {
    /// The seed.
    pub seed: u64,
    /// Events, all.
    pub events: u64,
    pub(super) answers: Vec<Answer>,
    pub(super) live: Vec<Answer>,
    /// Events put into the time of another restart.
    pub(super) elsewhere: u64,
    pub(super) live_elsewhere: u64,
    /// Events whose status is beyond doubt, and those of them whose status is wrong.
    pub(super) status_sure: u64,
    pub(super) status_wrong: u64,
    /// Placed, in a gap, outside, unplaced.
    pub(super) statuses: [u64; 4],
    /// Lost, twice, out of order: as counted, and as it truly was.
    pub(super) counted: [u64; 3],
    pub(super) truly: [u64; 3],
    pub(super) kinds: Vec<String>,
    pub(super) changes: Vec<String>,
    /// Words and notes of `alignment.json`.
    pub(super) text: String,
}

/// When samples of one boot came, in true seconds of the device: stretches without a loss, in order.
#[derive(Default)]
struct Came {
    stretches_s: Vec<(f64, f64)>,
}

/// Packets that follow each other meet to within the rounding of their times, s.
const MEET_S: f64 = 1e-6;

impl Came {
    fn take(&mut self, from_s: f64, to_s: f64) {
        match self.stretches_s.last_mut() {
            Some(last) if from_s < last.1 + MEET_S => last.1 = to_s,
            _ => self.stretches_s.push((from_s, to_s)),
        }
    }

    /// The status of an event, if no sample was lost or began to come within `near_s` of it.
    fn status(&self, at_s: f64, near_s: f64) -> Option<Status> {
        let begun = |at_s: f64| self.stretches_s.partition_point(|stretch| stretch.0 <= at_s);
        let (begun, ended) =
            (begun(at_s + near_s), self.stretches_s.partition_point(|stretch| stretch.1 <= at_s - near_s));
        let in_stretch = begun == ended + 1
            && self.stretches_s[ended].0 <= at_s - near_s
            && at_s + near_s < self.stretches_s[ended].1;
        match begun {
            _ if in_stretch => Some(Status::Placed),
            // Neither has one begun by its end that had not ended by its beginning.
            begun if begun != ended => None,
            0 => Some(Status::Outside),
            begun if begun == self.stretches_s.len() => Some(Status::Outside),
            _ => Some(Status::InGap),
        }
    }
}

/// What truly was, in seconds of the device that no restart resets.
struct TrueTimes {
    came: BTreeMap<u16, Came>,
    /// For each true segment: its boot and the device second of its onset 0.
    zeros: Vec<(u16, f64)>,
}

impl TrueTimes {
    fn of(scenario: &Scenario, session: &Simulated) -> Self {
        let rate_hz = scenario.streams[0].rate_hz * (1.0 + scenario.device.sample_ppm * 1e-6);
        let mut packets: BTreeMap<TruePlace, (f64, f64)> = BTreeMap::new();
        for (row, packet) in session.packets.iter().enumerate().filter(|(_, packet)| packet.stream == 0) {
            let from_s = session.truth.clock.device_at_host(session.truth.first_sample_s[row]);
            let span = (from_s, from_s + f64::from(packet.samples) / rate_hz);
            packets.insert(session.truth.places[row], span);
        }
        let mut came: BTreeMap<u16, Came> = BTreeMap::new();
        for (place, span) in packets {
            came.entry(place.boot).or_default().take(span.0, span.1);
        }
        let zeros = came.iter().map(|(boot, came)| (*boot, came.stretches_s[0].0)).collect();
        Self { came, zeros }
    }

    /// Lost, twice, out of order, as the rows of the reference stream truly are.
    fn counts(session: &Simulated) -> [u64; 3] {
        let (mut seen, mut newest) = (BTreeSet::new(), BTreeMap::<u16, u64>::new());
        let (mut twice, mut late) = (0, 0);
        let rows = session.packets.iter().zip(&session.truth.places);
        for (_, place) in rows.filter(|(packet, _)| packet.stream == 0) {
            if !seen.insert(*place) {
                twice += 1;
                continue;
            }
            let newest = newest.entry(place.boot).or_insert(place.index);
            late += u64::from(place.index < *newest);
            *newest = place.index.max(*newest);
        }
        let places: Vec<TruePlace> = seen.into_iter().collect();
        let lost = places
            .windows(2)
            .filter(|two| two[0].boot == two[1].boot)
            .map(|two| two[1].index - two[0].index - 1)
            .sum();
        [lost, twice, late]
    }
}

impl Run {
    /// Simulates, aligns and compares.
    ///
    /// # Errors
    /// What the simulator, the recording format or the alignment refuses.
    pub fn new(scenario: &Scenario, seed: u64) -> Result<Self, String> {
        let session = simulate(scenario, seed).map_err(|error| format!("seed {seed}: {error}"))?;
        let mut recording =
            simulated::recording(&session).map_err(|error| format!("seed {seed}: {error}"))?;
        recording.truth = None;
        let captured = Captured::of(&recording);
        let aligned = align(&captured).map_err(|error| format!("seed {seed}: {error}"))?;
        let said = tickseam_cli::alignment(&aligned, &captured, None, Vec::new(), Vec::new());
        let counts = &aligned.counts;
        let of_stream = aligned.streams.first().cloned().unwrap_or_default();
        let mut run = Self {
            seed,
            events: counts.total,
            answers: Vec::new(),
            live: Vec::new(),
            elsewhere: 0,
            live_elsewhere: 0,
            status_sure: 0,
            status_wrong: 0,
            statuses: [counts.placed, counts.in_gap, counts.outside, counts.unplaced],
            counted: [of_stream.packets_missing, of_stream.duplicates, of_stream.late],
            truly: TrueTimes::counts(&session),
            kinds: aligned.segments.iter().map(|segment| segment.link_kind.clone()).collect(),
            changes: aligned
                .segments
                .iter()
                .flat_map(|segment| segment.changes.iter().map(|change| change.cause.clone()))
                .collect(),
            text: [said.words, said.notes].concat().join("\n"),
        };
        run.compare(scenario, &session, &aligned);
        Ok(run)
    }

    fn compare(&mut self, scenario: &Scenario, session: &Simulated, aligned: &Aligned) {
        let times = TrueTimes::of(scenario, session);
        let rate_hz = scenario.streams[0].rate_hz;
        let true_rate_hz = rate_hz * (1.0 + scenario.device.sample_ppm * 1e-6);
        // Onset 0 of each segment that was found: the boot and device second of its earliest packet.
        let found: BTreeMap<u32, (u16, f64)> = aligned
            .sample_timelines
            .iter()
            .filter(|timeline| timeline.stream == 0)
            .filter_map(|timeline| {
                let row = *timeline.rows.first()? as usize;
                let at_s = session.truth.clock.device_at_host(session.truth.first_sample_s[row]);
                Some((timeline.segment, (session.truth.places[row].boot, at_s)))
            })
            .collect();
        for (place, (row, truth)) in aligned.events.rows.iter().zip(&session.truth.events).enumerate() {
            let event = truth
                .onset_s
                .zip(times.zeros.get(truth.segment as usize))
                .map(|(onset_s, &(boot, zero_s))| (boot, zero_s + onset_s));
            let zero = row.segment.and_then(|segment| found.get(&segment)).copied();
            self.judge_status(&times, row, event, zero);
            let Some((boot, true_s)) = event else { continue };
            let Some((found_boot, zero_s)) = zero else { continue };
            let excluded_ms = if row.excludes_fixed_delay { session.truth.fixed_delay_ms[0] } else { 0.0 };
            let answer = |onset_s: f64, u95_ms: f64| Answer {
                at: place as f64 / aligned.events.rows.len() as f64,
                error_ms: (onset_s - (true_s - zero_s)) * 1e3 + excluded_ms,
                sample_error_ms: row.sample.map_or(f64::NAN, |sample| {
                    (sample / true_rate_hz - (true_s - zero_s)) * 1e3 + excluded_ms
                }),
                u95_ms,
            };
            if let Some((onset_s, u95_ms)) = row.live_onset_s.zip(row.live_u95_ms) {
                if boot == found_boot {
                    self.live.push(answer(onset_s, u95_ms));
                } else {
                    self.live_elsewhere += 1;
                }
            }
            if let Some((onset_s, u95_ms)) = row.onset_s.zip(row.u95_ms) {
                if boot == found_boot {
                    self.answers.push(answer(onset_s, u95_ms));
                } else {
                    self.elsewhere += 1;
                }
            }
        }
    }

    /// Holds a status against where samples truly came, unless an edge of them lies within the event's interval.
    /// `zero` is onset 0 of the segment that it was put into.
    fn judge_status(
        &mut self,
        times: &TrueTimes,
        row: &EventRow,
        event: Option<(u16, f64)>,
        zero: Option<(u16, f64)>,
    ) {
        let near_s = row.u95_ms.unwrap_or(0.0) / 1e3;
        let wrong = match event {
            // The device was off, or nothing came: no sample can be there, though one may be within the interval.
            None => {
                let put = zero.zip(row.onset_s).and_then(|((boot, zero_s), onset_s)| {
                    times.came.get(&boot)?.status(zero_s + onset_s, near_s)
                });
                row.status == Status::Placed && (put == Some(Status::Placed) || zero.is_none())
            }
            Some((boot, true_s)) => {
                let Some(came) = times.came.get(&boot) else { return };
                let Some(is) = came.status(true_s, near_s) else { return };
                row.status != is && row.status != Status::Unplaced
            }
        };
        self.status_sure += 1;
        self.status_wrong += u64::from(wrong);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_status_is_sure_only_where_no_edge_is_near() {
        let mut came = Came::default();
        for (from_s, to_s) in [(10.0, 10.5), (10.5, 11.0), (13.0, 14.0)] {
            came.take(from_s, to_s);
        }
        assert_eq!(came.stretches_s, [(10.0, 11.0), (13.0, 14.0)]);
        for (at_s, near_s, status) in [
            (9.0, 0.5, Some(Status::Outside)),
            (9.0, 1.5, None),
            (10.5, 0.4, Some(Status::Placed)),
            (10.5, 0.6, None),
            (12.0, 0.9, Some(Status::InGap)),
            (12.0, 1.1, None),
            (12.0, 5.0, None),
            (13.5, 3.0, None),
            (15.0, 0.9, Some(Status::Outside)),
            (15.0, 1.1, None),
        ] {
            assert_eq!(came.status(at_s, near_s), status, "{at_s} ± {near_s}");
        }
    }

    #[test]
    fn losses_repeats_and_late_packets_are_counted_as_they_truly_are() {
        let text = "duration_s = 120\n[host]\nloss = 0.05\nduplicates = 0.1\n\
                    [[fault]]\nkind = \"reboot\"\nat_s = 60.0\noff_s = 3.0\n";
        let session = simulate(&Scenario::from_toml(text).unwrap(), 1).unwrap();
        let [lost, twice, late] = TrueTimes::counts(&session);
        assert_eq!((twice, late), (session.statistics.duplicates, 0));
        // Those before the first packet received and after the last one of each boot are not between.
        let most = session.statistics.app_losses;
        assert!(lost <= most && lost + 5 > most && lost > 200, "{lost} of {most}");
        let text = "duration_s = 120\n[host]\nreordering = 0.1\n";
        let session = simulate(&Scenario::from_toml(text).unwrap(), 1).unwrap();
        assert_eq!(TrueTimes::counts(&session), [0, 0, session.statistics.reorderings]);
    }
}
