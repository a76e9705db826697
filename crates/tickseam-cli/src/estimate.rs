//! What a run of arrivals says of the clocks: cleaned of nonsense, cut where the host's clock was set, and estimated.

use std::ops::Range;

use tickseam::backlog::without_backlogs;
use tickseam::block::{Arrival, WorkingLine};
use tickseam::filter::WIDEST_CURVATURE;
use tickseam::frame::Frame;
use tickseam::gate::{Gate, without_early};
use tickseam::line::{LineAccumulator, LineFit};
use tickseam::live::Live;
use tickseam::pair::SyncPair;
use tickseam::placement::{Knot, Placement, Placing, Shift};
use tickseam::replay::{Report, Stage, join, known_at, replay, stages_needed};
use tickseam::select::envelope_line;
use tickseam::setup::{CONGESTED_DEPTH_US, Setup};
use tickseam_record::Description;

use crate::changes::{
    Cause, Cut, Envelope, GridChange, Grids, WINDOW_S, cuts, grid_changes, hands_over_in_batches,
    hidden_steps, slews,
};
use crate::pairs::{Pairs, Sightings};

/// So many small settings of the host's clock are believed in any segment, and so many a minute: what jumps more often is a saw-tooth of the
/// delays. Own choice; a clock that is slewed by steps is set more seldom.
const MOST_SETTINGS: f64 = 4.0;
const SETTINGS_PER_MINUTE: f64 = 0.2;

/// Longest that a queue takes to fill, s (own choice).
const FILLS_S: f64 = 60.0;
/// How much deeper such a queue may be than the jump shows: packets had begun to wait before it (own choice).
const FILLED_BEFORE: f64 = 1.5;

/// What is constant about one stream's estimates in a recording.
#[derive(Clone, Copy, Debug)]
pub struct Ground {
    /// What is known before the arrivals.
    pub setup: Setup,
    /// Step of the host's stamps, µs.
    pub host_step_us: f64,
    /// Half a step of the device's counter, µs; 0 where samples are counted.
    pub half_tick_us: f64,
    /// Smallest time from a packet's first sample to its stamp, as declared.
    pub fixed_delay: Option<Shift>,
    /// Whether so many packets are missing, of all streams, that a queue may overflow.
    pub overflows: bool,
}

impl Ground {
    /// For a clock of ticks or of samples, and a fixed delay.
    ///
    /// A device tick is rounded down as a host stamp is, so both steps go into what the estimator takes for the
    /// resolution; this is conservative.
    pub fn new(description: &Description, ticks: bool, fixed_delay: Option<Shift>, period_s: f64) -> Self {
        let tick_us = match description.device_clock.tick_hz {
            Some(tick_hz) if ticks => 1e6 / tick_hz,
            _ => 0.0,
        };
        let host_step_us = description.host_clock.resolution_ns / 1e3;
        Self {
            setup: Setup {
                resolution_us: host_step_us + tick_us,
                device_step_us: tick_us,
                fixed_delay,
                interval_us: description.link.connection_interval_ms.map(|interval_ms| interval_ms * 1e3),
                ..Setup::new(description.device_clock.tolerance_ppm, period_s)
            },
            host_step_us,
            half_tick_us: tick_us / 2.0,
            fixed_delay,
            overflows: false,
        }
    }

    /// Places an event by what is known of the residual, `fixed_delay` above the clock. The onset counts from the true
    /// first sample behind the origin's tick, which lies half a tick after it, give or take half a tick.
    pub fn place(
        &self,
        frame: Frame,
        fixed_delay: Option<Shift>,
        host_ns: i64,
        latency: Shift,
        known: impl Fn(f64) -> (Knot, f64),
    ) -> Placement {
        let placing = Placing {
            frame,
            fixed_delay: fixed_delay.unwrap_or_default(),
            resolution_us: self.host_step_us,
            curvature_ppm_per_s: WIDEST_CURVATURE,
        };
        let mut placement = placing.place(host_ns, latency, known);
        placement.device_s -= self.half_tick_us * 1e-6;
        placement.budget.resolution_us += self.half_tick_us;
        placement.u95_us = placement.budget.u95_us();
        placement
    }
}

/// A stamp as an estimate sees it: device count, host stamp (ns), and how far it came behind the first of its delivery, µs.
pub type Stamp = (i64, i64, f32);

/// Arrivals cleaned of nonsense, in the order of reception.
#[derive(Debug, Default)]
struct Cleaned {
    arrivals: Vec<Arrival>,
    wild: u64,
    early: u64,
}

impl Cleaned {
    /// From stamps in the order of reception, on a timeline that begins `begins_s` after the origin that they are to be counted from; about
    /// `expected` of them.
    fn new(
        frame: Frame,
        setup: &Setup,
        begins_s: f64,
        stamps: impl Iterator<Item = Stamp>,
        expected: usize,
    ) -> Self {
        let mut gate = Gate::default();
        let mut arrivals = Vec::with_capacity(expected);
        for (device, host_ns, behind_us) in stamps {
            let arrival = frame.arrival(device, host_ns).behind(behind_us).since_earlier(begins_s);
            arrivals.extend(gate.admit(arrival).into_iter().flatten());
        }
        arrivals.extend(gate.close());
        let used = without_early(&mut arrivals);
        let early = (arrivals.len() - used) as u64;
        arrivals.truncate(used);
        let used = without_backlogs(&mut arrivals, setup);
        arrivals.truncate(used);
        Self { arrivals, wild: gate.dropped, early }
    }
}

/// Packets of another stream on the reference stream's ticks, in one segment.
#[derive(Debug)]
pub struct OtherStream {
    /// Which one it is, counted from 0 as `recording.toml` describes them.
    stream: usize,
    arrivals: Vec<Arrival>,
    setup: Setup,
    fills_later_us: f64,
}

impl OtherStream {
    /// From its stamps in the order of reception, about `expected` of them, on a timeline of its own that begins `begins_s` after the reference
    /// stream's; `frame` has the reference stream's host origin, and nothing in `setup` says what its fixed delay is. Its packets take `fills_later_us` longer to fill.
    pub fn new(
        stream: usize,
        frame: Frame,
        setup: Setup,
        begins_s: f64,
        fills_later_us: f64,
        stamps: impl Iterator<Item = Stamp>,
        expected: usize,
    ) -> Self {
        let Cleaned { arrivals, .. } = Cleaned::new(frame, &setup, begins_s, stamps, expected);
        Self { stream, arrivals, setup, fills_later_us }
    }

    /// What it alone tells, of its packets stamped at some host times, µs since the origin.
    fn replayed(&self, (from_us, to_us): (f64, f64)) -> Option<(Vec<Stage>, Report)> {
        let within = |arrival: &&Arrival| (from_us..=to_us).contains(&arrival.host_us());
        let arrivals: Vec<Arrival> = self.arrivals.iter().filter(within).copied().collect();
        let line = envelope_line(arrivals.iter().copied()).ok()?;
        Some(replayed(&arrivals, &[], line.working(), span_s(&arrivals), &self.setup))
    }
}

/// Where the knowledge of a piece comes from.
#[derive(Debug)]
enum Knowledge {
    /// All arrivals at once, forwards and backwards.
    Replayed { stages: Vec<Stage>, report: Report },
    /// Too few arrivals for a line: what the causal estimator makes of them.
    Few(Box<Live>),
}

/// A run of arrivals between two settings of the host's clock, and what they say.
#[derive(Debug)]
pub struct Piece {
    /// Least and greatest device time of the arrivals, s.
    pub from_s: f64,
    /// See `from_s`.
    pub to_s: f64,
    /// The arrivals, in the order of reception.
    pub arrivals: Range<usize>,
    /// What parts this piece from the one before.
    pub cut: Option<Cut>,
    /// Host time since the origin, µs, at which events may belong to this piece.
    pub host_us: (f64, f64),
    /// Straight line by least squares through all arrivals: the peer to be measured against.
    pub least_squares: Option<LineFit>,
    /// What exchanges and markers say of the clock, the fixed delay not in it.
    pub pairs: Vec<SyncPair>,
    /// Exchanges and markers that were used.
    pub exchanges: u64,
    /// See `exchanges`.
    pub markers: u64,
    /// Other streams whose packets bound the clock too.
    pub streams_joined: Vec<usize>,
    /// By how much longer than its arrivals show they may have waited, if what parts it from others is no setting of the clock, µs.
    pub waited_us: f64,
    knowledge: Knowledge,
}

impl Piece {
    /// What is known of the residual at a device time, and how much of its half-width is holdover, µs.
    pub fn known_at(&self, device_s: f64) -> (Knot, f64) {
        let (mut knot, holdover_us) = match &self.knowledge {
            Knowledge::Replayed { stages, report } => known_at(stages, device_s, report.curvature_ppm_per_s),
            Knowledge::Few(live) => live.known_at(device_s),
        }
        .unwrap_or_default();
        if self.waited_us > 0.0 {
            knot.low_us -= self.waited_us;
            knot.lattice_us += self.waited_us;
            knot.u_offset_us = knot.u_offset_us.hypot(self.waited_us / 3.0_f64.sqrt());
        }
        (knot, holdover_us)
    }

    /// How far the residual lies above the clock: the fixed delay, as it was declared or found from exchanges and markers;
    /// `None` where nobody knows it.
    pub fn fixed_delay(&self) -> Option<Shift> {
        match &self.knowledge {
            Knowledge::Replayed { report, .. } => report.fixed_delay,
            Knowledge::Few(live) => live.fixed_delay(),
        }
    }

    /// What the replay found on its way; `None` where there were too few arrivals for it.
    pub fn report(&self) -> Option<&Report> {
        match &self.knowledge {
            Knowledge::Replayed { report, .. } => Some(report),
            Knowledge::Few(_) => None,
        }
    }

    /// Narrows what is known by the packets of another stream that were stamped under the same setting of the host's clock.
    fn join(&mut self, other: &OtherStream, stamped_us: (f64, f64), setup: &Setup) {
        if let Knowledge::Replayed { stages, report } = &mut self.knowledge
            && let Some((of_other, its_report)) = other.replayed(stamped_us)
        {
            let joined = join(stages, report, (&of_other, &its_report), setup, other.fills_later_us);
            self.streams_joined.extend(joined.then_some(other.stream));
        }
    }

    /// Limit on the change of rate that is reckoned with, ppm/s.
    pub fn curvature_ppm_per_s(&self) -> f64 {
        match &self.knowledge {
            Knowledge::Replayed { report, .. } => report.curvature_ppm_per_s,
            Knowledge::Few(live) => live.curvature_ppm_per_s(),
        }
    }
}

/// The estimate of one segment of one stream.
#[derive(Debug)]
pub struct Estimate {
    /// Origin of both clocks: the first sample of the segment's earliest packet.
    pub frame: Frame,
    /// What holds for all its pieces.
    pub ground: Ground,
    /// All arrivals that were used, in the order of reception.
    pub arrivals: Vec<Arrival>,
    /// Arrivals left out because their host stamps are nonsense.
    pub wild: u64,
    /// Arrivals left out because they were stamped before they could come.
    pub early: u64,
    /// In the order of reception; at least one.
    pub pieces: Vec<Piece>,
    /// Changes of the link's grid, across which the clocks go on.
    pub grid_changes: Vec<GridChange>,
}

impl Estimate {
    /// From the stamps of a segment, in the order of reception, about `expected` of them; `others` are streams on the same ticks. `None` without
    /// any.
    pub fn new(
        frame: Frame,
        ground: Ground,
        stamps: impl Iterator<Item = Stamp>,
        expected: usize,
        sightings: Option<&Sightings<'_>>,
        others: &[OtherStream],
    ) -> Option<Self> {
        let Cleaned { arrivals, wild, early } = Cleaned::new(frame, &ground.setup, 0.0, stamps, expected);
        if arrivals.is_empty() {
            return None;
        }
        let grids = Grids::of(&arrivals);
        let grid_changes = grid_changes(&grids, ground.setup.period_s);
        let period_s = ground.setup.period_s;
        let envelope = Envelope::of(&arrivals);
        let cut_where = |wait_s: f64| {
            let mut cuts = cuts(&arrivals, &envelope, period_s, wait_s);
            cuts.retain(|cut| {
                let at_s = arrivals[cut.place].device_s;
                !grid_changes
                    .iter()
                    .any(|change| change.cause == Cause::IntervalChange && change.explains(cut, at_s))
            });
            cuts
        };
        let cut_into = |cuts: &[Cut]| -> Vec<Piece> {
            (0..=cuts.len())
                .map(|number| {
                    let cut = number.checked_sub(1).map(|before| cuts[before]);
                    piece(&arrivals, cut, cuts.get(number), &ground, sightings)
                })
                .collect()
        };
        let mut cuts = cut_where(period_s);
        let mut pieces = cut_into(&cuts);
        // Once the link is known, smaller settings of the clock stand out.
        let wait_s = pieces
            .iter()
            .filter_map(|piece| piece.report().map(|report| report.longest_jump_s(period_s)))
            .reduce(f64::max);
        if let Some(wait_s) = wait_s.filter(|&wait_s| wait_s < period_s) {
            let more = cut_where(wait_s);
            if may_be_added(more.len(), &cuts, &pieces) {
                pieces = cut_into(&more);
                cuts = more;
            }
        }
        let neighbours = pieces.iter().zip(&pieces[1..]);
        let kept: Vec<Cut> = neighbours
            .filter(|(before, after)| !fills_a_queue(before, after))
            .filter_map(|(_, after)| after.cut)
            .collect();
        if kept.len() < cuts.len() {
            pieces = cut_into(&kept);
            cuts = kept;
        }
        let link_is =
            |pieces: &[Piece], so: fn(&Report) -> bool| pieces.iter().filter_map(Piece::report).any(so);
        // The beat of batches jumps too, and a queue's levels wander.
        let told = |report: &Report| report.on_a_grid && !report.grid_tells_little || report.congested;
        if !link_is(&pieces, told) && !hands_over_in_batches(&arrivals) {
            // A jump that packets' waits may explain parts what is known too, and leaves both possible.
            let mut more = cut_where(0.0);
            for cut in &mut more {
                cut.doubtful = cuts.iter().all(|sure| sure.place != cut.place);
            }
            if may_be_added(more.len(), &cuts, &pieces) {
                pieces = cut_into(&more);
                set_waits(&mut pieces, 1.0);
                cuts = more;
            }
        }
        if !ground.overflows && !link_is(&pieces, |report| report.congested) {
            let known = pieces.iter().filter_map(Piece::report).filter(|report| report.on_a_grid);
            let beat_s = known.map(|report| report.beat_s).reduce(f64::max);
            let mut more = cuts.clone();
            more.extend(slews(&arrivals, (&envelope, &grids), period_s, beat_s, &cuts));
            more.sort_by_key(|cut| cut.place);
            let wait_s = wait_s.map_or(period_s, |wait_s| wait_s.min(period_s));
            let steps = hidden_steps(&arrivals, &envelope, wait_s, &more);
            if may_be_added(more.len() + steps.len(), &cuts, &pieces) {
                more.extend(steps);
                more.sort_by_key(|cut| cut.place);
            }
            if more.len() > cuts.len() {
                pieces = cut_into(&more);
                set_waits(&mut pieces, 1.0);
                cuts = more;
            }
        }
        if ground.overflows && doubt_what_may_fill(&mut pieces) {
            set_waits(&mut pieces, FILLED_BEFORE);
        }
        for number in 0..pieces.len() {
            let next = pieces.get(number + 1).and_then(|next| next.cut);
            let piece = &mut pieces[number];
            let stamped_us = stamped_us(&arrivals, (piece.cut.as_ref(), next.as_ref()), &ground);
            others.iter().for_each(|other| piece.join(other, stamped_us, &ground.setup));
        }
        // A clock that is set gives the grid another phase too.
        let of_clock = |change: &GridChange| {
            let near = |cut: &Cut| {
                let (from_s, to_s) = cut.lies_between_s(&arrivals);
                change.at_s > from_s - 2.0 * WINDOW_S && change.at_s < to_s + 2.0 * WINDOW_S
            };
            change.cause == Cause::AnchorRephase && cuts.iter().any(near)
        };
        let grid_changes = grid_changes.into_iter().filter(|change| !of_clock(change)).collect();
        Some(Self { frame, ground, wild, early, pieces, grid_changes, arrivals })
    }

    /// Places an event under one piece.
    pub fn place(&self, piece: &Piece, host_ns: i64, latency: Shift) -> Placement {
        self.ground
            .place(self.frame, piece.fixed_delay(), host_ns, latency, |device_s| piece.known_at(device_s))
    }
}

/// Whether what looks like a setting forward between two pieces is a queue that filled in the first seconds of a link that goes on losing: so much waits on one that a
/// setting makes no difference to what is known.
fn fills_a_queue(before: &Piece, after: &Piece) -> bool {
    may_fill_a_queue(before, after) && is_congested(after)
}

/// Whether it may be one that filled, if the link loses enough.
fn may_fill_a_queue(before: &Piece, after: &Piece) -> bool {
    before.to_s - before.from_s < FILLS_S && is_set_forward(after, CONGESTED_DEPTH_US)
}

/// Whether it may be one that was full, and waited through a silence: with the old packets in it the recording ends.
fn may_be_what_waited(before: &Piece, after: &Piece) -> bool {
    is_congested(before) && after.to_s - after.from_s < FILLS_S && is_set_forward(after, FILLS_S * 1e6)
}

fn is_set_forward(after: &Piece, most_us: f64) -> bool {
    after.cut.is_some_and(|cut| cut.cause == Cause::HostClockStep && (0.0..most_us).contains(&cut.step_us))
}

fn is_congested(piece: &Piece) -> bool {
    piece.report().is_some_and(|report| report.congested)
}

/// Doubts the settings forward that may be a queue which filled, or one that was full and waited through a silence, on a link that loses enough; whether there
/// are any.
fn doubt_what_may_fill(pieces: &mut [Piece]) -> bool {
    let mut any = false;
    for at in 1..pieces.len() {
        let (before, after) = (&pieces[at - 1], &pieces[at]);
        if (may_fill_a_queue(before, after) || may_be_what_waited(before, after))
            && let Some(cut) = &mut pieces[at].cut
        {
            cut.doubtful = true;
            any = true;
        }
    }
    any
}

/// Whether so many small settings of the clock are believed besides those that are sure.
fn may_be_added(more: usize, sure: &[Cut], pieces: &[Piece]) -> bool {
    let minutes = pieces.iter().map(|piece| piece.to_s - piece.from_s).sum::<f64>() / 60.0;
    let added = more.saturating_sub(sure.len());
    added > 0 && added as f64 <= MOST_SETTINGS.max(SETTINGS_PER_MINUTE * minutes)
}

/// If no doubtful cut is a setting of the clock, packets waited for longer in each piece by as much as its arrivals lie above the lowest of
/// those that only such cuts part it from, or so many `times` that; unless that may be so anyway, or exchanges and markers tell.
fn set_waits(pieces: &mut [Piece], times: f64) {
    let begins = |piece: &Piece| piece.cut.is_none_or(|cut| !cut.doubtful);
    for run in pieces.chunk_by_mut(|_, after| !begins(after)) {
        let mut level_us = 0.0;
        let levels = run.iter().enumerate().map(|(n, piece)| {
            level_us += piece.cut.filter(|_| n > 0).map_or(0.0, |cut| cut.step_us);
            level_us
        });
        let levels: Vec<f64> = levels.collect();
        let lowest_us = levels.iter().copied().fold(f64::INFINITY, f64::min);
        for (piece, level_us) in run.iter_mut().zip(levels) {
            let known = piece.report().filter(|report| report.by_pairs).is_some();
            let doubt_us = piece.report().map_or(0.0, |report| report.doubt_us);
            piece.waited_us = if known { 0.0 } else { (times * (level_us - lowest_us) - doubt_us).max(0.0) };
        }
    }
}

/// Least and greatest device time, s.
fn span_s(arrivals: &[Arrival]) -> (f64, f64) {
    let nothing = (f64::INFINITY, f64::NEG_INFINITY);
    arrivals
        .iter()
        .fold(nothing, |(from_s, to_s), arrival| (from_s.min(arrival.device_s), to_s.max(arrival.device_s)))
}

/// Host times at which packets were surely stamped between two settings of the clock, µs.
fn stamped_us(all: &[Arrival], (cut, next): (Option<&Cut>, Option<&Cut>), ground: &Ground) -> (f64, f64) {
    let surely_us = |cut: &Cut| cut.surely_us(all, ground.setup.period_s);
    let from_us = cut.map_or(f64::NEG_INFINITY, |cut| surely_us(cut).1);
    (from_us, next.map_or(f64::INFINITY, |next| surely_us(next).0))
}

fn piece(
    all: &[Arrival],
    cut: Option<Cut>,
    next: Option<&Cut>,
    ground: &Ground,
    sightings: Option<&Sightings<'_>>,
) -> Piece {
    let range = cut.map_or(0, |cut| cut.resume)..next.map_or(all.len(), |next| next.place);
    let host_us = (
        cut.map_or(f64::NEG_INFINITY, |cut| cut.after_from_us),
        next.map_or(f64::INFINITY, |next| next.before_until_us),
    );
    let arrivals = &all[range.clone()];
    let (from_s, to_s) = span_s(arrivals);
    let mut sums = LineAccumulator::new();
    let summed = arrivals.iter().try_for_each(|a| sums.add(a.device_s, a.residual_us, 1.0));
    let least_squares = summed.and_then(|()| sums.fit()).ok();
    let mut pairs = Pairs::default();
    let knowledge = match envelope_line(arrivals.iter().copied()) {
        Ok(line) => {
            let line = line.working();
            if let Some(sightings) = sightings {
                let stamped_us = stamped_us(all, (cut.as_ref(), next), ground);
                pairs = sightings.stamped_between((from_s, to_s), stamped_us, |device_s| line.at(device_s));
            }
            let (stages, report) = replayed(arrivals, &pairs.pairs, line, (from_s, to_s), &ground.setup);
            Knowledge::Replayed { stages, report }
        }
        Err(_) => {
            let mut live = Box::new(Live::new(ground.setup));
            arrivals.iter().for_each(|&arrival| live.observe(arrival));
            Knowledge::Few(live)
        }
    };
    let (exchanges, markers) = (pairs.exchanges, pairs.markers);
    let pairs = pairs.pairs;
    Piece {
        from_s,
        to_s,
        arrivals: range,
        cut,
        host_us,
        least_squares,
        pairs,
        exchanges,
        markers,
        streams_joined: Vec::new(),
        waited_us: 0.0,
        knowledge,
    }
}

fn replayed(
    arrivals: &[Arrival],
    pairs: &[SyncPair],
    line: WorkingLine,
    (from_s, to_s): (f64, f64),
    setup: &Setup,
) -> (Vec<Stage>, Report) {
    // Arrivals far out of order make more blocks than the usual number.
    let mut room = stages_needed(arrivals.len(), pairs.len(), to_s - from_s);
    loop {
        let mut stages = vec![Stage::empty(); room];
        let report = replay(arrivals, pairs, line, setup, &mut stages);
        if (1..room).contains(&report.stages) {
            stages.truncate(report.stages);
            stages.shrink_to_fit();
            return (stages, report);
        }
        room *= 2;
    }
}
