//! What kind of link the blocks show, and how far each of them may be believed.

use super::MISSED_REACH;
use super::stage::Stage;
use super::touch::{same_interval, steady};
use crate::block::{self, Arrival, Block, Bound, SHARED, Use, improbable, unmet_us};
use crate::filter::Prior;
use crate::lattice;
use crate::number::{count, greater, lesser, magnitude};
use crate::rise::least_us;
use crate::scatter::{self, Scatter};
use crate::setup::{CONGESTED_LOSS, SILENCE_S};
use crate::watch::BIN_S;

/// Packets of one delivery from which on they count as a batch.
const BATCH: f64 = 1.8;
/// Over so long it is asked what parts of the host's step packets met, s: a rate that is known to a part in a million moves them by less than
/// a sixteenth of a millisecond.
const MET_S: f64 = 60.0;
/// Stages on either side that are asked whether the link is congested.
const WINDOW: usize = 10;
/// Share of the packets that may seem late on a link that never sends again.
const LATE_NEVER: f64 = 0.03;
/// Share of the packets from which on they were lost by a queue even so: a link that loses as many by itself serves nobody, and other streams may take up the room that
/// seems to be left (own choice).
const MOST_LOST: f64 = 0.4;

/// Mean lateness of the deliveries on a grid, µs.
pub(super) fn mean_lateness_us(stages: &[Stage]) -> f64 {
    let (mut sum, mut n) = (0.0, 0.0);
    for block in stages.iter().filter_map(Stage::block).filter(|b| b.interval_us > 0.0 && !b.off_grid) {
        sum += block.lateness_us;
        n += 1.0;
    }
    if n > 0.0 { sum / n } else { 0.0 }
}

/// Stages before and after that a grid's bound is held against.
const AROUND: usize = 4;

/// By how much packets are seen to have missed their first chance, µs: how far those that did not wait for the grid came before those that did, and
/// twice what the grid's lower bounds lie above what stamps of the blocks around them leave, whatever the rate.
#[inline(never)]
pub(super) fn missed_us(stages: &[Stage], prior: &Prior) -> f64 {
    let mut missed_us = 0.0;
    for (i, stage) in stages.iter().enumerate() {
        missed_us = greater(stage.sooner_us, missed_us);
        let Some(lower) = stage.lattice else { continue };
        let to = i.saturating_add(AROUND + 1).min(stages.len());
        let around = stages.get(i.saturating_sub(AROUND)..to).unwrap_or_default();
        for stamped in around.iter().filter_map(Stage::block).map(|block| block.stamped) {
            let dx = lower.at_s - stamped.at_s;
            let drifted_us = prior.rate_ppm * dx + prior.rate_half_width_ppm * magnitude(dx);
            let above_us = lower.residual_us - stamped.residual_us - drifted_us;
            missed_us = greater(MISSED_REACH * above_us, missed_us);
        }
    }
    missed_us
}

/// A bound that rests on a grid is taken no farther than the blocks before and after bear it out, since what one
/// block misreads its neighbours rarely do.
pub(super) fn clip_outliers(stages: &mut [Stage]) {
    let mut before: Option<Block> = None;
    for i in 0..stages.len() {
        let after = stages.get(i.saturating_add(1)).and_then(|s| s.block);
        let Some(stage) = stages.get_mut(i) else { return };
        let Some(block) = stage.block else { continue };
        let neighbours = || before.iter().chain(&after);
        let rate = block.rate_ppm;
        let clipped = |of: fn(&Block) -> Option<Bound>| {
            let lower = of(&block)?;
            let borne_out = neighbours()
                .filter_map(of)
                .map(|l| l.residual_us + rate * (lower.at_s - l.at_s))
                .fold(f64::NEG_INFINITY, greater);
            let residual_us = lesser(borne_out, lower.residual_us);
            residual_us.is_finite().then_some(Bound { residual_us, ..lower })
        };
        let soonest_us =
            neighbours().map(|b| b.stamped.residual_us + rate * (block.stamped.at_s - b.stamped.at_s));
        let residual_us = soonest_us.fold(block.stamped.residual_us, lesser);
        stage.soonest = Bound { residual_us, ..block.stamped };
        stage.lattice = clipped(|b| b.lower);
        stage.likely = clipped(|b| b.likely);
        let borne_out = neighbours()
            .map(|b| b.upper.residual_us + rate * (block.upper.at_s - b.upper.at_s))
            .fold(f64::INFINITY, lesser);
        if block.upper.residual_us < borne_out {
            let stamped = block.stamped.residual_us + rate * (block.upper.at_s - block.stamped.at_s);
            stage.upper = Some(if borne_out < stamped {
                Bound { residual_us: borne_out, ..block.upper }
            } else {
                block.stamped
            });
        }
        before = Some(block);
    }
}

/// Blocks in a row that are held against each other at the most.
const IN_A_ROW: usize = 16;
/// Longest time over which they are, s: the working line may be off by some parts in a million.
const ROW_S: f64 = 40.0;

/// Raises the bounds that rest on a grid to where the latest packets of so many blocks in a row bear them out that not all of them were late.
#[inline(never)]
pub(super) fn raise(stages: &mut [Stage]) {
    for i in 0..stages.len() {
        let Some(block) = stages.get(i).and_then(|s| s.block).filter(|b| b.interval_us > 0.0) else {
            continue;
        };
        let Some(own) = block.likely else { continue };
        let around = stages.get(i.saturating_sub(AROUND)..).unwrap_or_default();
        let Some(row) = improbable(late_share(around.get(..2 * AROUND).unwrap_or(around))) else {
            continue;
        };
        if row > IN_A_ROW {
            continue;
        }
        // Least of the first so many blocks before and after, each with this one.
        let least = |stages: &mut dyn Iterator<Item = &Stage>| {
            let mut least: heapless::Vec<f64, IN_A_ROW> = heapless::Vec::new();
            let mut so_far = own.residual_us;
            let _ = least.push(so_far);
            for other in stages.filter_map(Stage::block) {
                let far = magnitude(other.from_s - block.from_s) > ROW_S;
                let Some(low) =
                    other.likely.filter(|_| !far && same_interval(other.interval_us, block.interval_us))
                else {
                    break;
                };
                so_far = lesser(low.residual_us + block.rate_ppm * (own.at_s - low.at_s), so_far);
                if least.len() >= row || least.push(so_far).is_err() {
                    break;
                }
            }
            least
        };
        let before = least(&mut stages.get(..i).unwrap_or_default().iter().rev());
        let after = least(&mut stages.get(i.saturating_add(1)..).unwrap_or_default().iter());
        let best = before
            .iter()
            .enumerate()
            .filter_map(|(k, &a)| {
                let &b = after.get(row.checked_sub(k.saturating_add(1))?)?;
                Some(lesser(a, b))
            })
            .fold(f64::NEG_INFINITY, greater);
        let Some(stage) = stages.get_mut(i).filter(|_| best.is_finite()) else { continue };
        let deeper = |had: Option<Bound>| {
            had.is_none_or(|had| had.residual_us + block.rate_ppm * (own.at_s - had.at_s) < best)
        };
        if deeper(stage.lattice) {
            stage.lattice = Some(Bound { residual_us: best, ..own });
        }
        if deeper(stage.likely) {
            stage.likely = stage.lattice;
        }
    }
}

/// Marks the stages around which most blocks lose packets, as they do where a queue overflows, and not in an outage or by
/// chance; returns their share.
pub(super) fn mark_congested(stages: &mut [Stage], period_s: f64) -> f64 {
    let mut instants = Use::default();
    stages.iter().filter_map(Stage::block).for_each(|block| instants.add(block));
    let never_again = instants.never_again(LATE_NEVER);
    let loses = |s: &Stage| {
        s.block.as_ref().map(|b| {
            let sent = (b.to_s - b.from_s) / period_s + 1.0;
            let least = if never_again { MOST_LOST } else { CONGESTED_LOSS };
            f64::from(b.packets) < (1.0 - least) * sent
        })
    };
    let n = stages.len();
    let (mut marked, mut blocks) = (0_usize, 0_usize);
    // Blocks, and those that lose, in the window from `from` to before `to`.
    let (mut from, mut to, mut around, mut losing) = (0_usize, 0_usize, 0_usize, 0_usize);
    for i in 0..n {
        while to < n && to <= i.saturating_add(WINDOW) {
            if let Some(lost) = stages.get(to).and_then(loses) {
                around = around.saturating_add(1);
                losing = losing.saturating_add(usize::from(lost));
            }
            to = to.saturating_add(1);
        }
        while from.saturating_add(WINDOW) < i {
            if let Some(lost) = stages.get(from).and_then(loses) {
                around = around.saturating_sub(1);
                losing = losing.saturating_sub(usize::from(lost));
            }
            from = from.saturating_add(1);
        }
        if let Some(stage) = stages.get_mut(i) {
            stage.congested = losing.saturating_mul(2) > around;
            if stage.block.is_some() {
                blocks = blocks.saturating_add(1);
                marked = marked.saturating_add(usize::from(stage.congested));
            }
        }
    }
    if blocks > 0 { count(marked) / count(blocks) } else { 0.0 }
}

/// How much later than that the packets before and after such a stage may come and still have waited for nothing, µs.
const RAISED_US: f64 = 2_000.0;

/// Marks the stages whose packets all came later than `wait_us` after what the other stages' upper bounds and the limits on the rate, ppm, leave of
/// the clock, and those around them in which they come later and later, or sooner and sooner: they waited in a queue, and bound nothing from below.
pub(super) fn mark_raised(stages: &mut [Stage], (least_ppm, greatest_ppm): (f64, f64), wait_us: f64) {
    let mut ceiling = None;
    stages
        .iter_mut()
        .for_each(|stage| stage.raised_us = raised_us(stage, stage.upper, &mut ceiling, greatest_ppm));
    let (mut ceiling, mut after): (_, Option<Bound>) = (None, None);
    for stage in stages.iter_mut().rev() {
        // A few stamps that came too early, as at a segment's end, must not raise all that came before them: two blocks bear each other out.
        let borne_out = stage.upper.zip(after).map(|(upper, after)| {
            let higher_us =
                greater(upper.residual_us, after.residual_us + least_ppm * (upper.at_s - after.at_s));
            Bound { residual_us: higher_us, ..upper }
        });
        stage.raised_us = greater(raised_us(stage, borne_out, &mut ceiling, least_ppm), stage.raised_us);
        after = stage.upper.or(after);
    }
    let mut queued = false;
    let mut mark = |stage: &mut Stage| {
        if stage.block.is_some() {
            queued = stage.raised_us > if queued || stage.congested { RAISED_US } else { wait_us };
            stage.congested |= queued;
        }
    };
    stages.iter_mut().for_each(&mut mark);
    stages.iter_mut().rev().for_each(mark);
}

/// How much later a stage's packets came than the ceiling, µs, which is carried to it at a rate, ppm, and lowered by what it proves.
fn raised_us(stage: &Stage, upper: Option<Bound>, ceiling: &mut Option<Bound>, rate_ppm: f64) -> f64 {
    let Some(block) = &stage.block else { return 0.0 };
    let at_us = |b: &Bound, at_s: f64| b.residual_us + rate_ppm * (at_s - b.at_s);
    let raised_us = ceiling.map_or(0.0, |c| block.minimum.residual_us - at_us(&c, block.minimum.at_s));
    if let Some(upper) = upper.filter(|u| ceiling.is_none_or(|c| u.residual_us < at_us(&c, u.at_s))) {
        *ceiling = Some(upper);
    }
    raised_us
}

/// Whether the app hands packets over in batches of its own: several at once, and none between for longer than the grid's
/// period.
pub(super) fn batched(stages: &[Stage], period_s: f64) -> bool {
    let (mut packets, mut deliveries) = (0.0, 0.0);
    for block in stages.iter().filter_map(Stage::block) {
        packets += f64::from(block.packets);
        deliveries += f64::from(block.deliveries);
    }
    let apart_us = packets / greater(deliveries, 1.0) * period_s * 1e6;
    packets > BATCH * deliveries && apart_us > 1.5 * longest_interval_us(stages)
}

/// Whether the grid is an app's that collects packets, rather than the radio's: several come at once, and closer than a radio sends them, or its period is
/// none of a connection; and it is not the declared one. Each may then have waited for the radio before.
pub(super) fn collected(stages: &[Stage], declared_us: Option<f64>) -> bool {
    let (mut packets, mut deliveries, mut radio) = (0.0, 0.0, 0.0);
    let bunched = bunched(stages);
    for block in stages.iter().filter_map(Stage::block).filter(|b| b.interval_us > 0.0) {
        packets += f64::from(block.packets);
        deliveries += f64::from(block.deliveries);
        if lattice::of_radio(block.interval_us, declared_us, bunched) {
            radio += f64::from(block.packets);
        }
    }
    packets > SHARED * deliveries && radio < 0.5 * packets
}

/// Whether packets that come in one go come closer than a radio sends them.
pub(super) fn bunched(stages: &[Stage]) -> bool {
    let blocks = || stages.iter().filter_map(Stage::block);
    let n: f64 = blocks().map(Block::times_between).sum();
    n > 0.0 && block::bunched(blocks().map(|block| block.apart_us * block.times_between()).sum::<f64>() / n)
}

/// Whether most blocks on a grid are on one of a radio: where it was lost for a while, what was taken for it then tells nothing.
pub(super) fn of_radio(stages: &[Stage], declared_us: Option<f64>) -> bool {
    let (mut blocks, mut radio) = (0_usize, 0_usize);
    for block in stages.iter().filter_map(Stage::block).filter(|b| steady(b)) {
        let period_us = block.interval_us * (1.0 + block.stretch_ppm * 1e-6);
        let of_radio = lattice::near_radio(period_us, block.rate_ppm, declared_us, lattice::OF_RADIO);
        blocks = blocks.saturating_add(1);
        radio = radio.saturating_add(usize::from(of_radio));
    }
    radio.saturating_mul(2) > blocks
}

/// Share of the blocks that a grid bounds from below.
pub(super) fn bounded_share(stages: &[Stage]) -> f64 {
    let blocks = stages.iter().filter_map(Stage::block).count();
    let bounded = stages.iter().filter(|s| s.lattice.is_some()).count();
    if blocks > 0 { count(bounded) / count(blocks) } else { 0.0 }
}

/// The longest period of a grid that was believed in for any block, µs.
pub(super) fn longest_interval_us(stages: &[Stage]) -> f64 {
    stages.iter().filter_map(Stage::block).map(|b| b.interval_us).fold(0.0, greater)
}

/// By how much the least waits of [`BIN_S`] may change at the most, s, of all grids that were believed in for any block.
pub(super) fn longest_beat_s(stages: &[Stage], period_s: f64) -> f64 {
    let (mut interval_us, mut longest_s) = (0.0, 0.0);
    for block in stages.iter().filter_map(Stage::block).filter(|b| b.interval_us > 0.0) {
        if block.interval_us != interval_us {
            interval_us = block.interval_us;
            longest_s = greater(lattice::beat_s(period_s, interval_us, BIN_S), longest_s);
        }
    }
    longest_s
}

/// Share of the blocks that a grid was believed in for.
pub(super) fn grid_share(stages: &[Stage]) -> f64 {
    let on_a_grid = stages.iter().filter_map(Stage::block).filter(|b| b.interval_us > 0.0).count();
    let blocks = stages.iter().filter_map(Stage::block).count();
    if blocks > 0 { count(on_a_grid) / count(blocks) } else { 0.0 }
}

/// Device time from the first to the last packet, s; at least a microsecond.
pub(super) fn span_s(arrivals: &[Arrival]) -> f64 {
    let (mut from_s, mut to_s) = (f64::INFINITY, f64::NEG_INFINITY);
    for a in arrivals {
        from_s = lesser(a.device_s, from_s);
        to_s = greater(to_s, a.device_s);
    }
    greater(to_s - from_s, 1e-6)
}

/// Parts of a segment whose least delays tell whether they run away at one rate.
const PARTS: usize = 8;
/// Share by which the way from one part to the next may be off, and parts that may be more.
const AWAY: f64 = 0.5;
const PARTS_OFF: usize = 3;

/// Whether the least delays run away from nominal at `rate_ppm` all along, as a clock's do: those of a queue that fills or empties stay once it is
/// full or empty.
pub(super) fn runs_away_steadily(arrivals: &[Arrival], rate_ppm: f64) -> bool {
    let from_s = arrivals.iter().map(|a| a.device_s).fold(f64::INFINITY, lesser);
    let part_s = span_s(arrivals) / count(PARTS);
    let mut least = [None::<&Arrival>; PARTS];
    for arrival in arrivals {
        let part = crate::number::nearest(libm::floor((arrival.device_s - from_s) / part_s));
        let last = PARTS.saturating_sub(1);
        let part = usize::try_from(part).map_or(0, |part| if part < last { part } else { last });
        if let Some(slot) = least.get_mut(part)
            && slot.is_none_or(|l| arrival.residual_us < l.residual_us)
        {
            *slot = Some(arrival);
        }
    }
    let mut found = least.iter().flatten();
    // Where what came between was left out as a backlog, the few packets at both ends are no clock that runs away all along.
    let all_along = found.clone().count().saturating_mul(2) > PARTS;
    let Some(mut before) = found.next().filter(|_| all_along) else { return false };
    let mut off = 0_usize;
    for next in found {
        let way_us = rate_ppm * (next.device_s - before.device_s);
        let miss_us = magnitude(next.residual_us - before.residual_us - way_us);
        off = off.saturating_add(usize::from(miss_us > AWAY * magnitude(way_us) + LEAST_JUMP_US));
        before = next;
    }
    off <= PARTS_OFF
}

/// Share of the packets on a grid that left after their first chance.
pub(super) fn late_share(stages: &[Stage]) -> f64 {
    let (mut late, mut packets) = (0.0, 0.0);
    for block in stages.iter().filter_map(Stage::block).filter(|b| b.interval_us > 0.0 && !b.off_grid) {
        late += f64::from(block.packets.saturating_sub(block.on_time));
        packets += f64::from(block.packets);
    }
    if packets > 0.0 { late / packets } else { 0.0 }
}

/// Scatter of the minima, from before and from after; the larger of the two.
pub(super) fn measure_scatter(stages: &mut [Stage]) {
    let mut before = Scatter::new();
    for stage in stages.iter_mut() {
        if let Some(block) = &stage.block {
            stage.scatter_us = before.observe(block.minimum);
        }
    }
    let mut after = Scatter::new();
    for stage in stages.iter_mut().rev() {
        if let Some(block) = &stage.block {
            let scatter = after.observe(block.minimum);
            stage.scatter_us = if scatter > stage.scatter_us { scatter } else { stage.scatter_us };
        }
    }
    let (mut from, mut range_before, mut blocks_before) = (0_usize, 0.0, 0_usize);
    while let Some(rest) = stages.get_mut(from..)
        && !rest.is_empty()
    {
        let minima = rest.iter().filter_map(|s| s.block.as_ref()).map(|b| b.minimum);
        let (range, blocks) = scatter::range(minima, scatter::LINE_S);
        // Few that are left at the end hardly range about a line of their own.
        let range = if blocks < blocks_before / 2 { greater(range, range_before) } else { range };
        (range_before, blocks_before) = (range, blocks);
        let mut left = if blocks > 0 { blocks } else { 1 };
        for stage in rest.iter_mut() {
            stage.range_us = range;
            from = from.saturating_add(1);
            left = left.saturating_sub(usize::from(stage.block.is_some()));
            if left == 0 {
                break;
            }
        }
    }
}

/// How much of the host's step no packet met, in stretches of so many seconds.
pub(super) fn measure_unmet(stages: &mut [Stage], step_us: f64) {
    let mut rest = stages;
    while let Some(from_s) = rest.first().map(|stage| stage.bounds.at_s) {
        let n = rest.partition_point(|stage| stage.bounds.at_s < from_s + MET_S);
        let n = if n > 0 { n } else { 1 };
        let Some((stretch, after)) = core::mem::take(&mut rest).split_at_mut_checked(n) else { return };
        let met = stretch.iter().filter_map(Stage::block).fold(0, |met, block| met | block.met);
        let unmet_us = unmet_us(met, step_us);
        stretch.iter_mut().for_each(|stage| stage.unmet_us = unmet_us);
        rest = after;
    }
}

/// How often the grid slipped: the way that it moved against the packets, in steps of what one block leaves open.
pub(super) fn slips(stages: &[Stage], rate_ppm: f64) -> f64 {
    let (mut moved, mut open, mut n) = (0.0, 0.0, 0.0);
    let mut last: Option<&Block> = None;
    for block in stages.iter().filter_map(Stage::block) {
        if let (Some(before), Some(lower)) = (last, block.lower) {
            let way = (block.stretch_ppm - rate_ppm) * (block.to_s - before.to_s);
            moved += if way < 0.0 { -way } else { way };
            open += block.upper.residual_us - lower.residual_us;
            n += 1.0;
        }
        last = Some(block);
    }
    if n > 0.0 && open > n { moved * n / open } else { 0.0 }
}

/// How far below a least stamp the clock may lie where delays return to their minimum to within what the minima scatter by, µs; `None` while
/// that is not known.
pub(super) fn depth_us(scatter_us: f64, range_us: f64, reach: f64) -> Option<f64> {
    (scatter_us > 0.0).then(|| greater(reach * scatter_us, reach / 6.0 * range_us) + 2.0)
}

/// Packets that such a silence is as long as at the least.
const SILENT_PACKETS: f64 = 6.0;
/// So many new phases without a silence are doubted in any recording, and so many an hour: what jumps more often is no grid that packets keep to.
const MOST_PHASES: f64 = 4.0;
const PHASES_PER_HOUR: f64 = 4.0;

/// A new phase shows within this after the silence of a new connection, s: some blocks, while what was sent late is still coming (own choice).
const SHOWS_WITHIN_S: f64 = 30.0;
/// Blocks that have to keep to the same interval from a new phase on: at another interval, the phase tells of no clock.
const GOES_ON: usize = 8;

/// By how much the share of packets that come alone differs at the most while the interval stays: half of the interval, and twice as many may.
const AS_MANY: f64 = 0.15;

/// Where a grid has another phase and no silence tells of a new connection, the host's clock may have been set by less than is seen otherwise: what was known
/// is opened by as much, and the blocks in which it was bound nothing.
#[inline(never)]
pub(super) fn doubt_new_phases(stages: &mut [Stage], arrivals: &[Arrival], period_s: f64) {
    let jumps = stages.iter().filter_map(Stage::block).filter(|block| block.rephased).count();
    let hours =
        stages.first().zip(stages.last()).map_or(0.0, |(a, b)| (b.bounds.at_s - a.bounds.at_s) / 3_600.0);
    if count(jumps) > greater(MOST_PHASES, PHASES_PER_HOUR * hours) {
        return;
    }
    let longest_s = greater(SILENCE_S, SILENT_PACKETS * period_s);
    let mut before: Option<usize> = None;
    for i in 0..stages.len() {
        let Some(block) = stages.get(i).and_then(Stage::block) else { continue };
        let Some(from) = before.replace(i) else { continue };
        if !block.rephased {
            continue;
        }
        let (to_s, interval_us) = (block.to_s, block.interval_us);
        let Some(first) = stages.get(from).and_then(Stage::block) else { continue };
        let next = || stages.get(i..).unwrap_or_default().iter().filter_map(Stage::block).take(GOES_ON);
        let last =
            stages.get(..=from).unwrap_or_default().iter().rev().filter_map(Stage::block).take(GOES_ON);
        let goes_on = next().all(|block| same_interval(block.interval_us, interval_us))
            && magnitude(alone(next()) - alone(last)) < AS_MANY;
        if !goes_on || silence_s(arrivals, first.from_s - SHOWS_WITHIN_S, to_s) > longest_s {
            continue;
        }
        for stage in stages.get_mut(from..=i).unwrap_or_default() {
            stage.another_phase = true;
        }
        if let Some(stage) = stages.get_mut(from) {
            stage.bounds.opened_us = least_us(interval_us * 1e-6);
        }
    }
}

/// Share of the packets that were the first of their deliveries.
fn alone<'a>(blocks: impl Iterator<Item = &'a Block>) -> f64 {
    let (packets, deliveries) = blocks
        .fold((0.0, 0.0), |(p, d), block| (p + f64::from(block.packets), d + f64::from(block.deliveries)));
    deliveries / greater(packets, 1.0)
}

/// The longest time without a packet between two device times, by either clock, s.
fn silence_s(arrivals: &[Arrival], from_s: f64, to_s: f64) -> f64 {
    let within = arrivals.iter().filter(|a| a.device_s >= from_s && a.device_s <= to_s);
    let (mut longest_s, mut before) = (0.0, None::<&Arrival>);
    for arrival in within {
        if let Some(before) = before.replace(arrival) {
            let by_host_s = (arrival.host_us() - before.host_us()) * 1e-6;
            longest_s = greater(greater(arrival.device_s - before.device_s, by_host_s), longest_s);
        }
    }
    longest_s
}

/// Blocks on either side of a jump that have to stay on their side of it.
const STAYS: usize = 12;
/// The least jump that counts, µs.
const LEAST_JUMP_US: f64 = 2_000.0;

/// The largest jump of the least delays that stays, µs, 0 where there is none: packets locked to a grid that does not show otherwise, which they slip
/// against once in a while. `rate_ppm` is the clock's.
pub(super) fn jump_us(stages: &[Stage], rate_ppm: f64) -> f64 {
    let mut around: heapless::Vec<f64, { 2 * STAYS }> = heapless::Vec::new();
    let mut largest_us = 0.0;
    for block in stages.iter().filter_map(Stage::block) {
        if around.is_full() {
            let _ = around.remove(0);
        }
        let _ = around.push(block.minimum.residual_us - rate_ppm * block.minimum.at_s);
        let (before, after) = around.split_at(STAYS.min(around.len()));
        if after.len() == STAYS {
            let least = |of: &[f64]| of.iter().copied().fold(f64::INFINITY, lesser);
            let greatest = |of: &[f64]| of.iter().copied().fold(f64::NEG_INFINITY, greater);
            let apart_us = greater(least(after) - greatest(before), least(before) - greatest(after));
            if apart_us > LEAST_JUMP_US {
                // From the middle of one side to the middle of the other.
                let level_us = |of: &[f64]| f64::midpoint(least(of), greatest(of));
                largest_us = greater(magnitude(level_us(after) - level_us(before)), largest_us);
            }
        }
    }
    largest_us
}
