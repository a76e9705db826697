//! The replayed estimate: the whole recording at once, forwards and backwards.
//!
//! `arrivals → blocks → kind of link → bounds → (rate, offset) forwards ∩ backwards → knots`. The bounds are of *u*, the
//! time at which a packet could arrive at the soonest: the clock plus the fixed delay. Exchanges and markers bound the
//! clock itself; where they tell more than the fixed delay does, a second pass is of the clock.

mod fuse;
pub(crate) mod link;
mod newest;
mod stage;
mod streams;
mod touch;

pub use stage::{Stage, known_at};
pub use streams::join;

use crate::block::{Arrival, Bound, Interval, PART, WorkingLine, lifted_us};
use crate::filter::{Bank, CURVATURES, Feasible, Prior};
use crate::lattice::{self, LONGEST_US};
use crate::number::{between, count, greater, lesser};
use crate::pair::SyncPair;
use crate::placement::{Knot, Shift};
use crate::region::Region;
use crate::rise::least_us;
use crate::setup::{ALLOWANCE_US, CONGESTED_DEPTH_US, PAIR_DELAY_REACH, Setup, TOP_SCATTER, UNBOUNDED_US};

/// What was found on the way.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Report {
    /// Stages filled.
    pub stages: usize,
    /// Lower bounds that were refuted.
    pub lower_refuted: u32,
    /// Times that the region had to give way.
    pub reopened: u32,
    /// Widest limit chosen on the crystal's wander in any window, ppm/s.
    pub curvature_ppm_per_s: f64,
    /// By how much a packet may have missed its first chance and still be taken for one that did not, µs.
    pub allowance_us: f64,
    /// Multiple of the scatter of minima by which the clock may lie below them.
    pub reach: f64,
    /// Length of the stretches in each of which the grid passed over all phases of the packets, s; 0 where there are too
    /// few for that.
    pub touch_period_s: f64,
    /// Times that the grid slipped by one step against the packets.
    pub slips: f64,
    /// The grid that was believed in, if any.
    pub interval: Option<Interval>,
    /// By how much another phase of the grid moves the least delays of some seconds at the most, s.
    pub beat_s: f64,
    /// A grid was found or declared: where it is lost, nothing bounds the clock from below.
    pub on_a_grid: bool,
    /// There is a grid, and yet most blocks say nothing by it: stamps in batches, or a grid that was lost again.
    pub grid_tells_little: bool,
    /// Period of a grid that may be there unseen, or for how long packets may wait for one beneath a grid of polls, µs; 0 where that can be ruled out.
    pub doubt_us: f64,
    /// How long packets may have waited for the radio before an app collected them, µs; 0 where the grid is the radio's.
    pub collected_us: f64,
    /// Several packets come at once often enough that they may have waited for each other.
    pub shares_deliveries: bool,
    /// The link loses so much that its queue must be overflowing: nothing bounds the clock from below.
    pub congested: bool,
    /// The device's rate lies outside the declared tolerance, and was looked for where the arrivals show it.
    pub off_nominal: bool,
    /// The declared interval did not fit.
    pub declared_refuted: bool,
    /// Smallest time from a packet's first sample to its host stamp, as far as it was declared or found from exchanges and
    /// markers; the knots lie this much above the clock. Zero where the knots rest on exchanges and markers themselves.
    pub fixed_delay: Option<Shift>,
    /// Exchanges and markers agree with the declared fixed delay, as far as arrivals can tell.
    pub pairs_agree: bool,
    /// The knots rest on exchanges and markers more than on the declared fixed delay.
    pub by_pairs: bool,
    /// More than a few exchanges and markers contradict the others, and the interval reaches over all of them.
    pub pairs_contradict: bool,
    /// Exchanges and markers contradict the declared fixed delay.
    pub fixed_delay_refuted: bool,
    /// Other streams whose packets bound the clock too ([`join`]).
    pub streams_joined: u32,
    /// By how much longer all packets of the reference stream may have waited than they show, since another stream's come sooner, µs.
    pub waited_us: f64,
}

impl Report {
    /// Whether the grid that was found may be one of polls, with a radio's own beneath.
    pub fn may_hide_a_grid(&self) -> bool {
        self.on_a_grid && !self.grid_tells_little && self.doubt_us > 0.0
    }

    /// Whether the bounds hardly contradict each other.
    fn agrees(&self, stages: usize) -> bool {
        f64::from(self.lower_refuted) + f64::from(self.reopened) <= 1.0 + count(stages) / 300.0
    }

    /// By how much the least delays of [`BIN_S`](crate::watch::BIN_S) may jump at the most though no clock was set, s: one `period_s` of the
    /// packets, unless the link's grid is known to move them by less.
    pub fn longest_jump_s(&self, period_s: f64) -> f64 {
        let jump_s = match self.on_a_grid {
            _ if self.congested || self.grid_tells_little || self.collected_us > 0.0 => f64::INFINITY,
            true => self.beat_s,
            false if self.shares_deliveries => f64::INFINITY,
            false => self.doubt_us * 1e-6,
        };
        lesser(jump_s, period_s)
    }
}

/// Deliveries that come late against the grid may do so because the host is slow, or because the grid is one of windows
/// rather than of instants, in which a packet may still catch the one under way. The second moves the first chance: by twice the mean lateness at
/// the most, and by the mean as a rule. Where packets are seen to come sooner than that, [`MISSED_REACH`] sees to it.
const LATENESS_REACH: f64 = 1.0;
/// Multiple of what packets are seen to miss their first chance by, at the least, that they may miss it by.
pub(crate) const MISSED_REACH: f64 = 2.0;
/// The limit on the wander is chosen anew for each window of this length, s, or of so many stretches between touches.
const WINDOW_S: f64 = 600.0;
const WINDOW_TOUCHES: f64 = 4.0;
/// The allowance that the estimate itself is made with, µs and as a share of the mean lateness.
const SHARP_US: f64 = 60.0;
const SHARP_LATENESS: f64 = 0.3;
/// Width of the rates that are possible above which the regression's is taken, ppm.
const RATE_OPEN_PPM: f64 = 4.0;
/// Stages on either side whose least delays are counted near the top, and how many have to lie there.
const TOP_STAGES: usize = 64;
const NEAR_TOP: usize = 4;
/// Share of late packets from which on twice the found period is tried.
const LATE_SHARE: f64 = 0.4;
/// Share of the blocks on a grid from which on the link counts as one with a grid: a false finding is dropped again
/// after four blocks.
const GRID_SHARE: f64 = 0.1;
/// Mean of the least of n sums of two even spreads over [0, 1], times the root of n: √(π/2).
const LEAST_OF_TWO: f64 = 1.253_314_137_315_5;
/// Share of the packets' period by which the least waits of batches range where these do not keep step with the packets: far more.
const IN_STEP: f64 = 0.1;
/// Rounds of touches, each with a better idea of the rate.
const ROUNDS: usize = 3;
/// Standard deviations of the minima by which the clock may lie below them.
const REACH: f64 = 11.0;
/// Share of what the narrower of both halves leaves that both together leave at the least.
const SLIVER: f64 = 0.125;
/// A block with fewer than this part of the packets of the one before is too thin to tell a floor.
const THIN: u16 = 2;
/// Times that the allowance and the reach are doubled when the bounds contradict each other.
const DOUBLINGS: usize = 5;

/// Runs the estimator over a segment's arrivals, in the order of reception and each packet once, and its exchanges and
/// markers, sorted by device time. Fills as many of the stages as are needed: [`stages_needed`] tells how many suffice; with
/// fewer, the end of the recording is extrapolated. Cost: O(arrivals), four passes.
pub fn replay(
    arrivals: &[Arrival],
    pairs: &[SyncPair],
    line: WorkingLine,
    setup: &Setup,
    stages: &mut [Stage],
) -> Report {
    let mut report = Report { fixed_delay: setup.fixed_delay, ..Report::default() };
    let seen = setup
        .with_rate_seen(line.rate_ppm, link::span_s(arrivals))
        .filter(|_| link::runs_away_steadily(arrivals, line.rate_ppm));
    report.off_nominal = seen.is_some();
    let setup = &seen.unwrap_or(*setup);
    let (used, unseen_us) = find_grid(arrivals, pairs, line, setup, stages, &mut report);
    report.stages = used;
    // One that was declared does not fit, and yet somebody had a reason to declare it.
    let unseen_us = greater(setup.interval_us.unwrap_or(0.0), unseen_us);
    let Some(stages) = stages.get_mut(..used) else { return report };
    link::measure_scatter(stages);
    link::clip_outliers(stages);
    link::raise(stages);
    link::measure_unmet(stages, setup.host_step_us());
    let uppers = || stages.iter().filter_map(|s| s.upper);
    let (Some(first), Some(last)) = (uppers().next(), uppers().next_back()) else {
        // Sync pairs alone give no frame.
        report.stages = 0;
        return report;
    };
    let ends = Ends::new(first, last, uppers(), &setup.prior);
    report.slips = link::slips(stages, line.rate_ppm);
    report.on_a_grid = link::grid_share(stages) > GRID_SHARE;
    report.beat_s = link::longest_beat_s(stages, setup.period_s);
    if !report.on_a_grid {
        report.doubt_us = greater(link::jump_us(stages, line.rate_ppm), unseen_us);
    }
    let congested = if report.on_a_grid { link::mark_congested(stages, setup.period_s) } else { 0.0 };
    report.congested = congested > 0.5;
    let batched = report.on_a_grid && link::batched(stages, setup.period_s);
    report.grid_tells_little = report.on_a_grid && link::bounded_share(stages) < 0.5 && !batched;
    if report.grid_tells_little {
        // Then the least delays have to tell, and may all be late by one interval.
        report.doubt_us = greater(link::longest_interval_us(stages), unseen_us);
    }
    let collected = report.on_a_grid && link::collected(stages, setup.interval_us);
    if batched
        || collected
        || !report.on_a_grid && link::batched(stages, setup.period_s) && link::bunched(stages)
    {
        report.collected_us = setup.interval_us.unwrap_or(LONGEST_US);
        newest::soonest_of_many(stages);
    } else if report.on_a_grid {
        if let Some(grid) = report.interval.filter(|_| !link::of_radio(stages, setup.interval_us)) {
            let (sent_us, grouped) = (setup.period_s * 1e6, report.shares_deliveries);
            let grid = (grid.period_us, grid.stretch_ppm, line.rate_ppm);
            let hidden_us = lattice::hidden_us(sent_us, grid, setup.interval_us, grouped, lattice::OF_RADIO);
            report.doubt_us = greater(hidden_us, report.doubt_us);
        }
        link::doubt_new_phases(stages, arrivals, setup.period_s);
    }
    let longest_us =
        greater(greater(link::longest_interval_us(stages), report.doubt_us), setup.period_s * 1e6);
    link::mark_raised(stages, rates(&setup.prior), least_us((longest_us + report.collected_us) * 1e-6));
    let mut prior = setup.prior;
    if report.congested {
        prior.depth_us = CONGESTED_DEPTH_US;
    }
    // Where the grid is laid wrongly, deliveries may come before its instants on the mean: that allows for no misses less.
    let lateness = greater(link::mean_lateness_us(stages), 0.0);
    report.allowance_us = ALLOWANCE_US + LATENESS_REACH * lateness + link::missed_us(stages, &prior);
    report.reach = REACH;
    for _ in 0..DOUBLINGS {
        set_bounds(stages, setup, &report);
        weigh(stages, &prior, ends, &mut report);
        if report.agrees(used) {
            break;
        }
        report.allowance_us *= 2.0;
        report.reach *= 2.0;
    }
    both_ways(stages, &prior, ends);
    if report.collected_us > 0.0 {
        newest::narrow(stages, arrivals, (setup, &prior), ends, &mut report);
    }
    if let Some(delay) = report.fixed_delay
        && !pairs.is_empty()
    {
        // Only pairs that agree with the declared delay may help to find what arrivals leave open.
        report.pairs_agree = fuse::agree(stages, delay);
        if report.pairs_agree {
            set_bounds(stages, setup, &report);
            weigh(stages, &prior, ends, &mut report);
            both_ways(stages, &prior, ends);
        }
    }
    if report.on_a_grid && !report.congested {
        within_bounds(stages, (setup, &prior), ends, lateness, &mut report);
        if link::bounded_share(stages) > 0.5 {
            by_touches(stages, &prior, ends, (setup, line, arrivals), lateness, &mut report);
        } else if report.grid_tells_little {
            below_the_top(stages, setup, line);
        }
    } else if !report.on_a_grid {
        below_the_top(stages, setup, line);
    }
    // Of the packets that an app collects, the newest of many batches waited for next to nothing, and where batches and packets keep step
    // for half a period on the mean.
    let collected = report.collected_us > 0.0 && report.touch_period_s == 0.0;
    let period_us = setup.period_s * 1e6;
    let below_the_newest = collected && !report.pairs_agree;
    if below_the_newest {
        below_the_top(stages, setup, line);
        newest::below_many(stages, &prior, ends);
    }
    for stage in stages.iter_mut() {
        let in_step = batched && stage.range_us < IN_STEP * period_us;
        let knot = &mut stage.knot;
        if collected && in_step {
            knot.offset_us = between(knot.high_us - period_us / 2.0, knot.low_us, knot.high_us);
        } else if collected || knot.width_us() > UNBOUNDED_US {
            // Nothing bounds the clock from below: the regression over the least delayed packets is the best guess, but where it leaves the newest
            // packets of an app's batches early.
            let on_line_us = line.at(stage.bounds.at_s) + setup.resolution_us / 2.0;
            if !below_the_newest || on_line_us < knot.offset_us {
                knot.lie_at(on_line_us, line.rate_ppm);
            }
        }
    }
    attribute(stages, &prior, ends, lateness, &report);
    if !pairs.is_empty() {
        fuse::fuse(stages, &prior, ends, setup, &mut report);
    }
    report
}

/// Stages that are enough for a recording of so many arrivals and sync pairs over so many seconds of device time, unless
/// device times run back and forth by many seconds: if [`Report::stages`] comes out as many as were lent, lend more.
pub fn stages_needed(arrivals: usize, pairs: usize, span_s: f64) -> usize {
    let knots = crate::number::nearest(if span_s > 0.0 { span_s / 4.0 } else { 0.0 });
    let knots = usize::try_from(knots).unwrap_or(usize::MAX);
    (arrivals / 40).saturating_add(pairs).saturating_add(knots).saturating_add(64)
}

/// The first and the last upper bound of a segment, from which the passes start, and how far each lies above the least that any bound may have come
/// to there within the limits on the rate, µs: by so much the clock may lie deeper below it.
#[derive(Clone, Copy)]
struct Ends {
    first: Bound,
    last: Bound,
    first_above_us: f64,
    last_above_us: f64,
}

impl Ends {
    fn new(first: Bound, last: Bound, all: impl Iterator<Item = Bound> + Clone, prior: &Prior) -> Self {
        let above_us = |end: Bound, rate_ppm: f64| {
            let here_us = all.clone().map(|b| b.residual_us + rate_ppm * (end.at_s - b.at_s));
            greater(end.residual_us - here_us.fold(end.residual_us, lesser), 0.0)
        };
        let (least_ppm, greatest_ppm) = rates(prior);
        Self {
            first,
            last,
            first_above_us: above_us(first, greatest_ppm),
            last_above_us: above_us(last, least_ppm),
        }
    }

    fn lowered(self, us: f64) -> Self {
        let lower = |b: Bound| Bound { residual_us: b.residual_us - us, ..b };
        Self { first: lower(self.first), last: lower(self.last), ..self }
    }
}

/// Least and greatest rate that is possible, ppm.
fn rates(prior: &Prior) -> (f64, f64) {
    (prior.rate_ppm - prior.rate_half_width_ppm, prior.rate_ppm + prior.rate_half_width_ppm)
}

/// The same, the clock that much deeper below the first arrivals.
fn deeper(prior: &Prior, us: f64) -> Prior {
    Prior { depth_us: prior.depth_us + us, ..*prior }
}

/// Fills the stages: once to find the grid, again with it, a third time where most packets came late against it, as they
/// do when it is only half of the true one. Returns how many stages, and the period of a grid that may be there unseen.
fn find_grid(
    arrivals: &[Arrival],
    pairs: &[SyncPair],
    line: WorkingLine,
    setup: &Setup,
    stages: &mut [Stage],
    report: &mut Report,
) -> (usize, f64) {
    let declared = setup.interval_us.map(Interval::declared);
    let (mut used, mut blocks) = stage::fill(arrivals, pairs, line, setup, declared, stages);
    report.declared_refuted = blocks.given_refuted();
    report.interval = blocks.interval();
    if let Some(whole_us) = blocks.found_a_part_of_us() {
        report.interval = Some(Interval::declared(whole_us));
    }
    let declared = setup.interval_us.is_some() && !report.declared_refuted;
    for _ in 0..2 {
        let Some(interval) = report.interval else { break };
        let doubled_fits = blocks.doubled_fits() && !declared;
        (used, blocks) = stage::fill(arrivals, pairs, line, setup, Some(interval), stages);
        if !doubled_fits || link::late_share(stages.get(..used).unwrap_or_default()) < LATE_SHARE {
            break;
        }
        report.interval = Some(Interval {
            period_us: 2.0 * interval.period_us,
            phase_sd_us: 2.0 * interval.phase_sd_us,
            ..interval
        });
    }
    if let (Some(part), Some(whole)) = (report.interval, blocks.interval())
        && !declared
        && whole.period_us > PART * part.period_us
    {
        // Packets kept to every second instant, or fewer, of what was found.
        report.interval = Some(whole);
        (used, blocks) = stage::fill(arrivals, pairs, line, setup, Some(whole), stages);
    }
    report.shares_deliveries = blocks.shares_deliveries();
    (used, blocks.unseen_interval_us(false))
}

/// On a grid: the estimate is the centre of what the bounds leave if packets hardly ever miss their first chance, which is
/// likelier than the misses that the interval has to allow for.
fn within_bounds(
    stages: &mut [Stage],
    (setup, prior): (&Setup, &Prior),
    ends: Ends,
    lateness_us: f64,
    report: &mut Report,
) {
    for stage in stages.iter_mut() {
        stage.by_arrivals = stage.knot;
    }
    let allowance_us = SHARP_US + SHARP_LATENESS * lateness_us;
    let sharp = Report { allowance_us, doubt_us: 0.0, collected_us: 0.0, ..*report };
    set_bounds(stages, setup, &sharp);
    for stage in stages.iter_mut() {
        if let (Some(_), Some(likely)) = (stage.bounds.lower, stage.likely) {
            stage.bounds.lower = Some(Bound { residual_us: likely.residual_us - allowance_us, ..likely });
        }
    }
    both_ways(stages, prior, ends);
    for stage in stages.iter_mut() {
        let (wide, sharp) = (stage.by_arrivals, stage.knot);
        stage.knot = wide;
        if !sharp.contradicted {
            stage.knot.lie_at(sharp.offset_us, sharp.rate_ppm);
        }
    }
    set_bounds(stages, setup, report);
}

/// Without a grid: the least delayed packets of many blocks touch the clock, so that it lies near the top of what is
/// possible. Where that leaves the rate open, the regression over the lower envelope knows it better.
fn below_the_top(stages: &mut [Stage], setup: &Setup, line: WorkingLine) {
    for i in 0..stages.len() {
        let top_us = below_top_us(stages, i);
        let Some(stage) = stages.get_mut(i) else { return };
        let rounded_us = setup.below_us(stage.unmet_us) + setup.beside_step_us(stage.scatter_us);
        let knot = &mut stage.knot;
        let near_top = knot.high_us - top_us - rounded_us;
        knot.offset_us = between(near_top, knot.low_us, knot.high_us);
        if knot.rate_high_ppm - knot.rate_low_ppm > RATE_OPEN_PPM {
            knot.rate_ppm = between(line.rate_ppm, knot.rate_low_ppm, knot.rate_high_ppm);
        }
    }
}

/// How far below the top of what is possible the clock is expected, µs: as far as the least delays around lie apart there, where they lie no
/// closer farther up; else by what they scatter by.
fn below_top_us(stages: &[Stage], at: usize) -> f64 {
    let Some(stage) = stages.get(at) else { return 0.0 };
    let within_us = TOP_SCATTER * stage.scatter_us;
    let around = stages.get(at.saturating_sub(TOP_STAGES)..).unwrap_or_default();
    let (mut near, mut farther) = (0_usize, 0_usize);
    for stage in around.iter().take(2 * TOP_STAGES) {
        if let Some(block) = &stage.block {
            let knot = &stage.knot;
            let above_us =
                block.minimum.residual_us - knot.high_us - knot.rate_ppm * (block.minimum.at_s - knot.at_s);
            near = near.saturating_add(usize::from(above_us < within_us));
            farther = farther.saturating_add(usize::from(above_us < 2.0 * within_us));
        }
    }
    // Even where half of those within twice the distance lie in the nearer half; a quarter would be a density that only begins there.
    let even = between(4.0 * count(near) / count(farther) - 1.0, 0.0, 1.0);
    if near < NEAR_TOP { within_us } else { within_us * (1.0 - even + even / count(near)) }
}

/// Narrows the knots by what the least waits touch, in rounds, each with a better idea of the rate.
fn by_touches(
    stages: &mut [Stage],
    prior: &Prior,
    ends: Ends,
    (setup, line, arrivals): (&Setup, WorkingLine, &[Arrival]),
    lateness_us: f64,
    report: &mut Report,
) {
    let lean_us = (touch::TOUCH_LATENESS * lateness_us + touch::TOUCH_US) / 4.0;
    // Packets are sent no closer than the grid's instants are.
    let one_an_instant = report.interval.is_some_and(|grid| grid.period_us <= setup.period_s * 1e6);
    for _ in 0..ROUNDS {
        let intervals = touch::intervals(stages);
        let Some((period_s, gap_us)) = touch::stretch_between_touches(stages, &intervals, report, setup)
        else {
            return;
        };
        report.touch_period_s = period_s;
        set_bounds(stages, setup, report);
        stages.iter_mut().for_each(|stage| stage.touch_reach_us = 0.0);
        let by_stamps = touch::find(stages, period_s, |block| block.stamped);
        let by_instants = touch::find(stages, period_s, |block| block.minimum);
        if report.collected_us > 0.0 && touch::tell_nothing(by_instants, by_stamps) {
            report.touch_period_s = 0.0;
            return;
        }
        let all_wait = touch::hardly_any_sooner(stages);
        let leads = touch::leads_touch(by_instants, by_stamps, one_an_instant, setup);
        let entered = leads || touch::packets_enter(by_instants, by_stamps, one_an_instant) && all_wait;
        let gap_here_us =
            |stage: &Stage| greater(touch::gap_here_us(stage, &intervals, setup, period_s), gap_us);
        if by_instants.is_some() && report.collected_us == 0.0 && report.reach <= REACH {
            let led_us = if one_an_instant { touch::led_us(arrivals, &intervals, period_s) } else { 0.0 };
            if entered {
                let _ = touch::find(stages, period_s, |block| block.stamped);
                let share = if leads { touch::LEADS_LATENESS } else { touch::TOUCH_LATENESS };
                touch::bound(stages, &gap_here_us, touch::BY_STAMPS, (share, led_us), report.doubt_us);
            } else if all_wait {
                touch::bound(
                    stages,
                    &gap_here_us,
                    touch::BY_INSTANTS,
                    (touch::TOUCH_LATENESS, led_us),
                    report.doubt_us,
                );
            }
        }
        weigh(stages, prior, ends, report);
        for stage in stages.iter_mut() {
            stage.by_arrivals = stage.knot;
        }
        both_ways(stages, prior, ends);
        // Where too few touches are found for a line, the estimate stays where it was.
        for stage in stages.iter_mut() {
            let before = stage.by_arrivals;
            stage.knot.lie_at(before.offset_us, before.rate_ppm);
        }
        let step_us = setup.host_step_us();
        // The least sum of two even spreads, of the wait over the interval and of what is left of the step.
        let interval_us = report.interval.map_or(0.0, |interval| interval.period_us);
        let in_a_step = period_s / setup.period_s * step_us / greater(interval_us, step_us);
        let least_us = step_us * between(LEAST_OF_TWO / libm::sqrt(greater(in_a_step, 1e-6)), 0.0, 0.5);
        let unmet_us = stages.first().map_or(step_us, |stage| stage.unmet_us);
        let rounded_us = setup.device_step_us + greater(least_us, unmet_us / 2.0);
        let lean_us = gap_us / 4.0 + lean_us + rounded_us - setup.resolution_us;
        let by_stamps = touch::find(stages, period_s, |block| block.stamped);
        // Where packets may still enter an event that is under way, its instant tells too little and the stamps the more.
        if entered || touch::stamps_tell_more(by_instants, by_stamps) {
            touch::through_touches(stages, lean_us + setup.resolution_us, |block| block.stamped);
        } else {
            let _ = touch::find(stages, period_s, |block| block.minimum);
            touch::through_touches(stages, lean_us, |block| block.minimum);
        }
        if gap_us > touch::GAP_SOUGHT_US {
            // Few and coarse touches: the regression over all stretches has the better rate.
            for stage in stages.iter_mut() {
                let knot = &mut stage.knot;
                knot.rate_ppm = between(line.rate_ppm, knot.rate_low_ppm, knot.rate_high_ppm);
            }
        }
    }
}

/// Sets each stage's bounds on u as the allowance and the reach have them.
fn set_bounds(stages: &mut [Stage], setup: &Setup, report: &Report) {
    let mut before = 0_u16;
    for stage in stages {
        stage.bounds.upper = stage.upper.filter(|_| !stage.another_phase);
        stage.bounds.lower = None;
        // What the least delays scatter by is that of the least of many: one that ends with a few packets tells no floor.
        let packets = stage.block.as_ref().map_or(before, |block| block.packets);
        let thin = packets < before / THIN;
        before = packets;
        if let Some(block) = &stage.block
            && !(report.congested || stage.congested || stage.another_phase)
        {
            let floor = || {
                if thin {
                    return None;
                }
                let depth_us = link::depth_us(stage.scatter_us, stage.range_us, report.reach)?;
                let below_us = depth_us + report.doubt_us - lifted_us(block, setup);
                Some(Bound { residual_us: block.minimum.residual_us - below_us, ..block.minimum })
            };
            stage.bounds.lower = match stage.lattice.filter(|_| block.interval_us > 0.0) {
                Some(l) => {
                    let reach_us = report.allowance_us + report.collected_us + report.doubt_us;
                    Some(Bound { residual_us: l.residual_us - reach_us, ..l })
                }
                // The packet after the newest of a batch was not there yet, a period later and as long on its way.
                None if report.collected_us > 0.0 && (block.shares_deliveries() || !report.on_a_grid) => {
                    let below_us = setup.period_s * 1e6 + report.collected_us + report.allowance_us;
                    Some(Bound { residual_us: stage.soonest.residual_us - below_us, ..stage.soonest })
                }
                None if !report.on_a_grid || report.grid_tells_little => floor(),
                None => None,
            };
            let higher = |b: &Bound| {
                stage
                    .bounds
                    .lower
                    .is_none_or(|had| b.residual_us > had.residual_us + block.rate_ppm * (b.at_s - had.at_s))
            };
            if let Some(newest) = stage.newest.filter(higher) {
                stage.bounds.lower = Some(newest);
            }
        }
        if let (Some(pair), Some(delay)) = (&stage.pair, report.fixed_delay)
            && report.pairs_agree
        {
            let reach = PAIR_DELAY_REACH * delay.u_us;
            let shifted = |b: Bound, us: f64| Bound { residual_us: b.residual_us + us, ..b };
            stage.bounds.upper = pair.high().map(|b| shifted(b, delay.us + reach));
            stage.bounds.lower = pair.low().map(|b| shifted(b, delay.us - reach));
        }
    }
}

/// One pass under every limit on the wander: which limit to use in each window, and how many bounds contradict the
/// others. A crystal that is quiet for hours says nothing of its first minutes on the skin.
fn weigh(stages: &mut [Stage], prior: &Prior, ends: Ends, report: &mut Report) {
    let mut bank = Bank::new(&deeper(prior, ends.first_above_us), ends.first);
    (report.lower_refuted, report.reopened) = (0, 0);
    report.curvature_ppm_per_s = 0.0;
    let window_s = greater(WINDOW_S, WINDOW_TOUCHES * report.touch_period_s);
    let mut from = 0_usize;
    for i in 0..stages.len() {
        let Some(stage) = stages.get(i) else { break };
        let outcome = bank.observe(&stage.bounds, prior);
        report.lower_refuted = report.lower_refuted.saturating_add(u32::from(outcome.lower_refuted));
        report.reopened = report.reopened.saturating_add(u32::from(outcome.reopened));
        let at_s = stage.bounds.at_s;
        let last = i.saturating_add(1) == stages.len();
        if last || stages.get(from).is_some_and(|s| at_s - s.bounds.at_s >= window_s) {
            let curvature = bank.chosen().curvature();
            report.curvature_ppm_per_s = greater(curvature, report.curvature_ppm_per_s);
            for stage in stages.get_mut(from..=i).unwrap_or_default() {
                stage.curvature_ppm_per_s = curvature;
            }
            from = i.saturating_add(1);
            bank.reweigh();
        }
    }
}

/// Tells which part of each knot's half-width is owed to the crystal's wander, by how much narrower it is under the gentlest limit,
/// and which to the link's grid: on one, or in doubt of one, all that scatter does not explain.
fn attribute(stages: &mut [Stage], prior: &Prior, ends: Ends, lateness_us: f64, report: &Report) {
    for stage in stages.iter_mut() {
        stage.by_arrivals = stage.knot;
    }
    let [gentlest, ..] = CURVATURES;
    both_ways_within(stages, prior, ends, gentlest);
    let mut scattered_us = stages.iter().map(|s| s.touch_reach_us).find(|&us| us > 0.0).unwrap_or(0.0);
    for stage in stages.iter_mut() {
        let gentle = stage.knot;
        stage.knot = stage.by_arrivals;
        let (width, narrower) = (stage.knot.width_us(), gentle.width_us());
        let share = if gentle.contradicted || width <= 0.0 { 0.0 } else { 1.0 - narrower / width };
        let half_us = stage.knot.half_width_us();
        let curvature_us = between(share, 0.0, 1.0) * half_us;
        if stage.block.is_some() {
            scattered_us = if !report.on_a_grid {
                link::depth_us(stage.scatter_us, stage.range_us, report.reach).unwrap_or(half_us)
            } else if stage.touch_reach_us > 0.0 {
                stage.touch_reach_us
            } else {
                greater(scattered_us, lateness_us)
            };
        }
        let may_be_a_grid = report.on_a_grid || report.doubt_us > 0.0;
        let lattice_us = if may_be_a_grid { half_us - curvature_us - scattered_us } else { 0.0 };
        (stage.knot.curvature_us, stage.knot.lattice_us) = (curvature_us, greater(lattice_us, 0.0));
    }
}

/// Forwards, then backwards, and what both allow.
fn both_ways(stages: &mut [Stage], prior: &Prior, ends: Ends) {
    both_ways_within(stages, prior, ends, f64::INFINITY);
}

/// The same, with limits on the wander of at most `most_ppm_per_s`.
fn both_ways_within(stages: &mut [Stage], prior: &Prior, ends: Ends, most_ppm_per_s: f64) {
    let limit = |stage: &Stage| {
        let own = stage.curvature_ppm_per_s;
        lesser(own, most_ppm_per_s)
    };
    let mut forward = Feasible::new(&deeper(prior, ends.first_above_us), 0.0, ends.first);
    for stage in stages.iter_mut() {
        forward.set_curvature(limit(stage));
        let _ = forward.observe(&stage.bounds, prior);
        stage.region = forward.settled(prior);
    }
    let mut backward = Feasible::new(&deeper(prior, ends.last_above_us), 0.0, ends.last);
    for stage in stages.iter_mut().rev() {
        backward.set_curvature(limit(stage));
        let _ = backward.observe(&stage.bounds, prior);
        let at_s = stage.bounds.at_s;
        let after = backward.settled(prior);
        stage.knot = match stage.region.intersection(&after) {
            Some(both) => {
                more_than_a_sliver(Knot::of(&both, at_s), stage.region.height_us(), after.height_us())
            }
            None => contradicted(at_s, &stage.region, &after),
        };
    }
}

/// What both halves leave, widened to a share of what the narrower one leaves alone: less is left by chance seldom, and often where a bound of
/// either is off by a little.
fn more_than_a_sliver(mut both: Knot, a_us: f64, b_us: f64) -> Knot {
    let least_us = SLIVER * lesser(a_us, b_us);
    let beside_us = greater((least_us - both.width_us()) / 2.0, 0.0);
    both.low_us -= beside_us;
    both.high_us += beside_us;
    both
}

/// Neither half can be trusted alone: the narrower one, twice as wide, and into the other by twice as much as they lie apart.
fn contradicted(at_s: f64, a: &Region, b: &Region) -> Knot {
    let (ka, kb) = (Knot::of(a, at_s), Knot::of(b, at_s));
    let (mut near, far) = if a.height_us() < b.height_us() { (ka, kb) } else { (kb, ka) };
    let half_us = near.width_us() / 2.0;
    let (above_us, below_us) = (far.low_us - near.high_us, near.low_us - far.high_us);
    near.low_us -= half_us;
    near.high_us += half_us;
    if below_us > 0.0 {
        near.low_us = greater(far.low_us, far.high_us - 2.0 * below_us);
    }
    if above_us > 0.0 {
        near.high_us = lesser(far.high_us, far.low_us + 2.0 * above_us);
    }
    near.contradicted = true;
    near
}

#[cfg(test)]
mod tests;
