//! The replay of a whole recording in lent memory: any packets, exchanges, markers and events, and memory that may be too short; and the
//! estimator below it, with arrivals that no intake has looked at.

use std::fmt::Debug;

use arbitrary::Unstructured;
use tickseam::batch::{Asked, BatchError, BatchReport, Lent, Place, Received, replay_packets, stages_for};
use tickseam::block::Arrival;
use tickseam::intake::PacketStamp;
use tickseam::pair::SyncPair;
use tickseam::replay::{Report, Stage, known_at, replay, stages_needed};
use tickseam::select::envelope_line;
use tickseam::sightings::{ExchangeStamps, MarkerStamps};

use crate::live::{Came, came, setup};
use crate::scene::{Known, Scene, Step};
use crate::{Checked, checks, holds};

/// Longest time that stages are lent for at first, s: wild stamps tell nothing of a recording's length.
const LONGEST_S: f64 = 1_800.0;
/// Most stages that are lent: a knot each 4 s for half an hour. What needs more is left: it would take seconds an input.
const MOST_STAGES: usize = 500;

/// A recording in memory.
#[derive(Clone, Debug, Default)]
pub struct Recorded {
    /// Stream and stamp of each packet, in the order of reception.
    pub packets: Vec<(usize, PacketStamp)>,
    /// Exchanges, in the order of their return.
    pub exchanges: Vec<ExchangeStamps>,
    /// Markers.
    pub markers: Vec<MarkerStamps>,
    /// Events to be placed.
    pub events: Vec<Asked>,
}

impl Received for Recorded {
    fn count(&self) -> usize {
        self.packets.len()
    }

    fn packet(&self, place: usize) -> Option<(usize, PacketStamp)> {
        self.packets.get(place).copied()
    }

    fn exchange(&self, place: usize) -> Option<ExchangeStamps> {
        self.exchanges.get(place).copied()
    }

    fn marker(&self, place: usize) -> Option<MarkerStamps> {
        self.markers.get(place).copied()
    }
}

impl Recorded {
    pub(crate) fn of(scene: &Scene) -> Self {
        let mut recorded = Self::default();
        for step in &scene.steps {
            match *step {
                Step::Packet(stream, stamp) => recorded.packets.push((stream, stamp)),
                Step::Exchange(origin_ns, receive_tick, transmit_tick, destination_ns) => {
                    recorded.exchanges.push(ExchangeStamps {
                        origin_ns,
                        receive_tick,
                        transmit_tick,
                        destination_ns,
                    });
                }
                Step::Marker(host_ns, tick) => recorded.markers.push(MarkerStamps { host_ns, tick }),
                Step::Place(host_ns, latency) if tickseam::session::is_a_time(latency) => {
                    recorded.events.push(Asked::new(host_ns, latency));
                }
                Step::Place(..) | Step::HostAt(_) | Step::Pause => {}
            }
        }
        let stamps: Vec<i64> = recorded.packets.iter().map(|(_, stamp)| stamp.host_ns).collect();
        for at in [stamps.first(), stamps.get(stamps.len() / 2), stamps.last()].into_iter().flatten() {
            recorded.events.push(Asked::new(*at, tickseam::placement::Shift::default()));
        }
        recorded
    }

    fn span_s(&self) -> f64 {
        let stamps = || self.packets.iter().map(|(_, stamp)| stamp.host_ns);
        let (Some(first), Some(last)) = (stamps().min(), stamps().max()) else { return 0.0 };
        (last.saturating_sub(first) as f64 * 1e-9).min(LONGEST_S)
    }

    fn pairs(&self) -> usize {
        2 * self.exchanges.len() + self.markers.len()
    }

    /// Replays in so many stages, in memory that held something else; `short` elements fewer than needed of each array.
    fn replayed(
        &self,
        known: &Known,
        stages: usize,
        short: usize,
    ) -> (Result<BatchReport, BatchError>, Vec<Asked>) {
        let room = self.packets.len().saturating_sub(short);
        let mut events = self.events.clone();
        let mut places = vec![Place::default(); room];
        let mut arrivals = vec![Arrival::new(f64::NAN, f64::NAN); room];
        let left = SyncPair { at_s: f64::NAN, low_us: Some(f64::NAN), high_us: None };
        let mut pairs = vec![left; self.pairs().saturating_sub(short)];
        let mut stages = vec![Stage::empty(); stages];
        let lent =
            Lent { places: &mut places, arrivals: &mut arrivals, pairs: &mut pairs, stages: &mut stages };
        let report = replay_packets::<4>(&known.config(), self, &mut events, lent);
        (report, events)
    }
}

fn check_report(report: &BatchReport, recorded: &Recorded, events: &[Asked]) -> Checked {
    let packets = recorded.packets.len() as u64;
    let calls = report.intake.calls();
    holds!(calls == packets, "replay: {calls} packets counted, {packets} given");
    holds!(
        report.wild <= packets && report.settling.never_settled + report.settling.forgotten <= packets,
        "replay: more than {packets} packets in {report:?}"
    );
    holds!(report.segments > 0, "replay: no segment, and no error");
    // A sighting may bound the clock of more than one segment.
    let segments = u64::from(report.segments);
    holds!(
        report.exchanges <= segments * recorded.exchanges.len() as u64
            && report.markers <= segments * recorded.markers.len() as u64,
        "replay: {report:?} used more exchanges and markers than there are"
    );
    for event in events {
        let Some((placed, _)) = &event.answer else {
            return Err(crate::Broken::new(format!(
                "replay: {event:?} has no answer, and there is a segment"
            )));
        };
        checks::placement(&placed.placement, false)?;
    }
    report.replayed.as_ref().map_or(Ok(()), check_replayed)
}

fn check_replayed(report: &Report) -> Checked {
    checks::uncertainties(
        "replay",
        &[
            report.allowance_us,
            report.curvature_ppm_per_s,
            report.reach,
            report.touch_period_s,
            report.slips,
            report.doubt_us,
            report.collected_us,
            report.waited_us,
            report.fixed_delay.map_or(0.0, |delay| delay.u_us),
        ],
    )
}

/// A recording is replayed in memory that is enough, in more, and in less.
fn packets(bytes: &[u8], told: &mut dyn FnMut(&dyn Debug)) -> Checked {
    let Some((&less, bytes)) = bytes.split_first() else { return Ok(()) };
    let scene = Scene::of(bytes);
    let known = &scene.known;
    let recorded = Recorded::of(&scene);
    let mut stages =
        stages_for(known.streams.len(), recorded.packets.len(), recorded.pairs(), recorded.span_s());
    let (mut report, mut events) = recorded.replayed(known, stages, 0);
    // Silences, and device times that run back and forth, need more.
    while report == Err(BatchError::Room) && stages < MOST_STAGES {
        stages = (4 * stages).min(MOST_STAGES);
        (report, events) = recorded.replayed(known, stages, 0);
    }
    told(&(&report, &events));
    match &report {
        Ok(report) => check_report(report, &recorded, &events)?,
        Err(BatchError::Room) => return Ok(()),
        Err(BatchError::NoArrival) => {}
        Err(BatchError::Config(_)) => {
            holds!(
                tickseam::session::Session::<4>::check(&known.config()).is_err(),
                "replay: refuses a configuration that a session takes"
            );
        }
    }
    let again = recorded.replayed(known, stages + 17, 0);
    checks::same("replay: in more memory", &(&report, &events), &(&again.0, &again.1))?;
    if less > 0 && !matches!(report, Err(BatchError::Config(_))) {
        // Arrays, or stages, that are too short.
        let (stages, short) =
            if less & 1 == 0 { (stages, usize::from(less)) } else { (usize::from(less), 0) };
        let (report, events) = recorded.replayed(known, stages, short);
        match &report {
            Ok(report) => check_report(report, &recorded, &events)?,
            Err(error) => {
                holds!(*error == BatchError::Room || *error == BatchError::NoArrival, "{error:?}");
            }
        }
    }
    Ok(())
}

fn check_stages(report: &Report, stages: &[Stage]) -> Checked {
    check_replayed(report)?;
    let mut before_s = f64::NEG_INFINITY;
    for stage in stages {
        checks::known(&stage.knot, 0.0)?;
        holds!(stage.knot.at_s >= before_s, "replay: a knot at {} s after {before_s} s", stage.knot.at_s);
        before_s = stage.knot.at_s;
    }
    let (Some(first), Some(last)) = (stages.first(), stages.last()) else { return Ok(()) };
    let (from, to) = (first.knot.at_s, last.knot.at_s);
    for at_s in [from - 1e4, from, f64::midpoint(from, to), from + (to - from) * 0.3, to, to + 1e4] {
        let Some((knot, holdover_us)) = known_at(stages, at_s, report.curvature_ppm_per_s) else {
            return Err(crate::Broken::new(format!("replay: nothing is known at {at_s} s")));
        };
        checks::known(&knot, holdover_us)?;
    }
    Ok(())
}

/// Arrivals that no intake has looked at, in as many stages as are said to be needed and in fewer.
fn arrivals(bytes: &[u8], reports: &mut dyn FnMut(Report, &[Stage])) -> Checked {
    let mut bytes = Unstructured::new(bytes);
    let Ok(setup) = setup(&mut bytes) else { return Ok(()) };
    let Ok(few) = bytes.arbitrary::<u8>() else { return Ok(()) };
    let (mut arrivals, mut pairs) = (Vec::new(), Vec::new());
    for came in came(&mut bytes, setup.period_s) {
        match came {
            Came::Arrival(arrival) => arrivals.push(arrival),
            Came::Pair(pair) => pairs.push(pair),
            Came::Pause => {}
        }
    }
    if arrivals.is_empty() {
        return Ok(());
    }
    pairs.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    let line =
        envelope_line(arrivals.iter().copied()).map_or_else(|_| Default::default(), |line| line.working());
    let times = || arrivals.iter().map(|a| a.device_s).chain(pairs.iter().map(|p| p.at_s));
    let span_s = times().fold(f64::NEG_INFINITY, f64::max) - times().fold(f64::INFINITY, f64::min);
    let needed = stages_needed(arrivals.len(), pairs.len(), span_s).min(MOST_STAGES);
    for lent in [needed, usize::from(few)] {
        let mut stages = vec![Stage::empty(); lent];
        let report = replay(&arrivals, &pairs, line, &setup, &mut stages);
        holds!(report.stages <= lent, "replay: {} stages of {lent}", report.stages);
        check_stages(&report, &stages[..report.stages])?;
        reports(report, &stages[..report.stages]);
    }
    Ok(())
}

pub(crate) fn run(bytes: &[u8]) -> Checked {
    answers(bytes, &mut |_| ())
}

/// Replays what the bytes stand for, the first of which says which of both; each answer is told.
///
/// # Errors
/// The promise that was not kept.
pub fn answers(bytes: &[u8], told: &mut dyn FnMut(&dyn Debug)) -> Checked {
    match bytes.split_first() {
        Some((first, rest)) if first & 1 == 0 => packets(rest, told),
        Some((_, rest)) => arrivals(rest, &mut |report, stages| {
            told(&report);
            stages.iter().for_each(|stage| told(&(stage.block(), stage.bounds(), stage.knot)));
        }),
        None => Ok(()),
    }
}

/// What the estimator reports of arrivals that no intake has looked at; nothing for bytes that stand for a recording.
///
/// # Errors
/// The promise that was not kept.
pub fn reports(bytes: &[u8]) -> Result<Vec<Report>, crate::Broken> {
    let mut reports = Vec::new();
    match bytes.split_first() {
        Some((first, rest)) if first & 1 == 1 => arrivals(rest, &mut |report, _| reports.push(report))?,
        _ => {}
    }
    Ok(reports)
}
