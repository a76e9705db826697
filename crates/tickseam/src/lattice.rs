//! Whether arrivals sit on a grid of the link's own, and which.
//!
//! A link that sends only at its own instants (connection events, beacon or slot frames) delivers on a grid of
//! period C in *host* time. Steady arrivals alone do not show one: a packet every 250 ms is on every grid that
//! divides 250 ms. What shows it is structure in the scatter that the sending period does not explain:
//! two packets of which one waited longer by more than a quarter of C must still lie a whole number of C apart.
//! Only such pairs are counted here, so that no grid is found where delays are constant or merely noisy.

use crate::number::{greater, lesser, magnitude};

/// Pairs of arrivals that are remembered, all of them scattered.
const PAIRS: usize = 96;
/// Pairs that are remembered besides, of those whose waits differ by far more than most do: packets that are all but locked to a grid wait a period
/// more or less once in a while, and jitter makes so many other pairs meanwhile that these would be forgotten.
const FAR_PAIRS: usize = 32;
/// By what factor, and over how many pairs the mean is taken.
const FAR_FROM_MEAN: u32 = 2;
const MEAN_OVER: u32 = 64;
/// How many of them must be new since the last round that asked them.
const FAR_FRESH: u8 = 16;
/// Mean agreement that they must reach: they may be no more than ten independent ones, of a standard deviation of 0.18 by chance.
const FAR_AGREEMENT: f64 = 0.5;
/// A pair's difference of waits is kept in steps, so many a µs: a quarter of a second at the most.
const STEPS_OF_SCATTER_PER_US: f64 = 0.25;
/// Scattered pairs that a period needs before it is judged.
const PAIRS_NEEDED: u32 = 24;
/// Pairs that must be new since the last round. Three pairs share an arrival, so that this many are worth about
/// fifteen independent ones.
const FRESH: u32 = 48;
/// Mean agreement that a period must reach: 1 is exact, 0 is chance. The triangular score has a variance of 1/3:
/// forty independent pairs have a standard deviation of 0.09 by chance, and two rounds must agree on the period.
pub(crate) const AGREEMENT: f64 = 0.4;
/// The same for a period that no standard names, of which there are ten times as many to agree by chance.
const FURTHER_AGREEMENT: f64 = 0.5;
/// The same for one that the sending period is a multiple of: whatever an app holds back once makes several pairs, which then agree with such a period all alike.
const ALIKE_AGREEMENT: f64 = 0.6;
/// Periods closer than this factor belong to the same tooth of the agreement: pairs are few periods apart, and the tooth
/// is broad. The nearest period that can agree for another reason is longer by a quarter.
pub(crate) const TOOTH: f64 = 1.11;
/// What a period must be better by to displace an interval that Bluetooth LE allows on the same tooth.
const NOMINAL_HOLDS: f64 = 0.1;
/// Agreement, as a share of the best, at which a longer period is preferred: the true period's divisors agree as well.
const NEAR_BEST: f64 = 0.85;
/// Least difference of waiting time for a pair to count as scattered: 1.5 ms, in steps.
const SCATTER: u16 = 375;
/// Pairs farther apart than this are not compared: the radio's rate would blur them, µs.
const PAIR_SPAN_US: f32 = 5e6;
/// Step of the connection interval in Bluetooth LE, µs (Bluetooth Core, Vol 6 Part B, 4.5.1).
pub(crate) const INTERVAL_STEP_US: f64 = 1_250.0;
/// Usual intervals in such steps: from the shortest, 7.5 ms, to the longest that a stream of packets is reckoned to be sent on,
/// 100 ms (own choice: the standard allows 4 s). They are tried first.
pub(crate) const STEPS: core::ops::RangeInclusive<u16> = 6..=80;
/// That longest one, µs.
pub(crate) const LONGEST_US: f64 = 100_000.0;
/// Further periods: from 4 ms to 160 ms, each longer by this share; neighbours overlap for two teeth of difference.
const FURTHER: u16 = 740;
const FURTHER_RATIO: f64 = 1.005;
const FURTHER_FROM_US: f64 = 4_000.0;
/// How finely the period that was found is looked for anew, and how many steps to either side: as far as from one candidate to the next but one.
const REFINED_BY: f64 = 2e-4;
const REFINED: i8 = 60;

/// Coarse stamps differ by few values, which agree with many a short period: one that no standard names has to be this many
/// of their steps long.
const STEPS_OF_STAMPS: f64 = 12.0;
/// One that a standard names has to be longer than one of them by half: stamps all agree with their own step.
const LEAST_OF_STAMPS: f64 = 1.5;
/// Mean agreement below which pairs know nothing of a period: that of instants at random is 0 ± 0.06 for 96 pairs.
const CHANCE: f64 = 0.15;
/// Candidates tried for each packet in the first rounds, and how many rounds are the first.
const EAGER: u8 = 16;
const EAGER_ROUNDS: u8 = 8;

/// The newest so many pairs.
#[derive(Clone, Debug)]
struct Pairs<const N: usize> {
    /// By how much the arrivals are apart, µs.
    apart_us: [f32; N],
    /// By how much the waits differ, in steps.
    scatter: [u16; N],
    filled: u8,
    next: u8,
}

impl<const N: usize> Pairs<N> {
    const EMPTY: Self = Self { apart_us: [0.0; N], scatter: [0; N], filled: 0, next: 0 };

    fn push(&mut self, apart_us: f32, scatter: u16) {
        let at = usize::from(self.next);
        if let (Some(of_apart_us), Some(of_scatter)) = (self.apart_us.get_mut(at), self.scatter.get_mut(at)) {
            (*of_apart_us, *of_scatter) = (apart_us, scatter);
        }
        let next = self.next.saturating_add(1);
        self.filled = if next > self.filled { next } else { self.filled };
        self.next = if usize::from(next) < N { next } else { 0 };
    }

    /// What [`agreement`] says of them.
    fn agreement(&self, period_us: f64) -> (f64, f64, u32) {
        let filled = usize::from(self.filled);
        let pairs =
            (self.apart_us.get(..filled).unwrap_or_default(), self.scatter.get(..filled).unwrap_or_default());
        agreement(pairs, period_us)
    }
}

/// How well all pairs agree with a period in the mean, how well those whose waits differ by more than a quarter of it, and how many those are.
#[inline(never)]
fn agreement((apart_us, scatter): (&[f32], &[u16]), period_us: f64) -> (f64, f64, u32) {
    let (mut sum, mut sum_far, mut n_far) = (0.0, 0.0, 0_u32);
    let quarter = crate::number::whole_u16(period_us * (STEPS_OF_SCATTER_PER_US / 4.0));
    for (&apart_us, &scatter) in apart_us.iter().zip(scatter) {
        let turns = f64::from(apart_us) / period_us;
        let score = 1.0 - 4.0 * magnitude(turns - libm::round(turns));
        sum += score;
        if scatter > quarter {
            sum_far += score;
            n_far = n_far.saturating_add(1);
        }
    }
    if n_far == 0 {
        return (0.0, 0.0, 0);
    }
    (sum / crate::number::count(apart_us.len()), sum_far / f64::from(n_far), n_far)
}

/// Looks for the period of the link's grid, a few candidates for each packet.
#[derive(Clone, Debug)]
pub(crate) struct Detector {
    pairs: Pairs<PAIRS>,
    far: Pairs<FAR_PAIRS>,
    /// [`MEAN_OVER`] times what the waits of an arrival and the third before it differ by in the mean, in steps.
    sum: u32,
    fresh: u32,
    far_fresh: u8,
    /// Whether these may be asked in this round.
    by_far: bool,
    last: [(f64, f64); 3],
    seen: u32,
    candidate: u16,
    further_us: f64,
    best: f64,
    best_us: f64,
    longest: Option<(f64, f64)>,
    proposal: Option<f64>,
    rounds: u8,
    resolution_us: f64,
}

impl Detector {
    /// For stamps of the given resolution, µs.
    pub(crate) const fn new(resolution_us: f64) -> Self {
        Self {
            resolution_us,
            pairs: Pairs::EMPTY,
            far: Pairs::EMPTY,
            sum: 0,
            fresh: 0,
            far_fresh: 0,
            by_far: false,
            last: [(0.0, 0.0); 3],
            seen: 0,
            candidate: *STEPS.start(),
            further_us: FURTHER_FROM_US,
            best: 0.0,
            best_us: 0.0,
            longest: None,
            proposal: None,
            rounds: 0,
        }
    }

    /// Takes the first arrival of a delivery: host time and residual against the working line, µs.
    pub(crate) fn observe(&mut self, host_us: f64, wait_us: f64) {
        let known = if self.seen < 3 { self.seen } else { 3 };
        let mut farthest = None;
        for (_, &(host_before, wait_before)) in (0..known).zip(self.last.iter()) {
            let apart_us = crate::number::single(host_us - host_before);
            if !(apart_us > 0.0 && apart_us < PAIR_SPAN_US) {
                continue;
            }
            let scatter =
                crate::number::whole_u16(magnitude(wait_us - wait_before) * STEPS_OF_SCATTER_PER_US);
            if scatter > SCATTER {
                self.pairs.push(apart_us, scatter);
                self.fresh = self.fresh.saturating_add(1);
            }
            farthest = Some((apart_us, scatter));
        }
        // Of each arrival one pair at the most: what was late once must not agree with itself.
        if let Some((apart_us, scatter)) = farthest.filter(|_| known == 3) {
            let steps = u32::from(scatter);
            if scatter > SCATTER && steps.saturating_mul(MEAN_OVER / FAR_FROM_MEAN) > self.sum {
                self.far.push(apart_us, scatter);
                self.far_fresh = self.far_fresh.saturating_add(1);
            }
            self.sum = self.sum.saturating_add(steps).saturating_sub(self.sum / MEAN_OVER);
        }
        self.last.rotate_right(1);
        if let Some(first) = self.last.first_mut() {
            *first = (host_us, wait_us);
        }
        self.seen = self.seen.saturating_add(1);
    }

    /// How well the remembered pairs agree with a period, and how many of them can say anything for it. A period has
    /// to explain all pairs, and those that waited longer by more than a quarter of it as well as the rest: the others
    /// agree with any period that is long against them and divides the sending period.
    pub(crate) fn agreement(&self, period_us: f64) -> (f64, u32) {
        let (all, far, n_far) = self.pairs.agreement(period_us);
        (lesser(far, all), n_far)
    }

    /// The same for a usual period: where too few of the remembered pairs differ by enough, those that were kept besides are asked, which have to agree better.
    fn agreement_of_usual(&self, period_us: f64) -> (f64, u32) {
        let (all, far, n_far) = self.pairs.agreement(period_us);
        if n_far >= PAIRS_NEEDED || !self.by_far {
            return (lesser(far, all), n_far);
        }
        let (_, far, n_far) = self.far.agreement(period_us);
        if far >= FAR_AGREEMENT { (lesser(far, all), n_far) } else { (0.0, 0) }
    }

    /// Whether enough pairs could tell, and all but disagree with a period.
    pub(crate) fn knows_nothing_of(&self, period_us: f64) -> bool {
        let (agreement, n) = self.agreement(period_us);
        n >= PAIRS_NEEDED && agreement < CHANCE
    }

    /// Whether twice a period explains the pairs as well, if fewer of them can tell.
    pub(crate) fn doubled_fits(&self, period_us: f64) -> bool {
        let (agreement, n) = self.agreement(2.0 * period_us);
        n >= PAIRS_NEEDED / 3 && agreement >= AGREEMENT
    }

    /// Tries the next candidates, for packets that are sent so far apart, µs; at the end of a round that repeats the last one's finding, returns the period.
    pub(crate) fn search(&mut self, sent_us: f64) -> Option<f64> {
        if self.fresh < FRESH {
            return None;
        }
        let effort = if self.rounds < EAGER_ROUNDS { EAGER } else { 1 };
        (0..effort).find_map(|_| self.try_next(sent_us))
    }

    fn try_next(&mut self, sent_us: f64) -> Option<f64> {
        let steps = *STEPS.end();
        if self.candidate == *STEPS.start() {
            self.by_far = self.far_fresh >= FAR_FRESH;
            if self.by_far {
                self.far_fresh = 0;
            }
        }
        let period = if self.candidate <= steps {
            f64::from(self.candidate) * INTERVAL_STEP_US
        } else {
            self.further_us *= FURTHER_RATIO;
            self.further_us
        };
        let (agreement, n) = if period < LEAST_OF_STAMPS * self.resolution_us {
            (0.0, 0)
        } else if self.candidate <= steps {
            self.agreement_of_usual(period)
        } else if period < STEPS_OF_STAMPS * self.resolution_us {
            (0.0, 0)
        } else {
            self.agreement(period)
        };
        let needed = match self.candidate {
            _ if divides(period, sent_us) => ALIKE_AGREEMENT,
            candidate if candidate <= steps => AGREEMENT,
            _ => FURTHER_AGREEMENT,
        };
        if n >= PAIRS_NEEDED && agreement >= needed {
            if agreement > self.best {
                self.best = agreement;
                self.best_us = period;
            }
            let nominal = self.candidate <= steps;
            self.longest = Some(match self.longest {
                // The same tooth: the better fit, but a nominal interval holds its place against its neighbours.
                Some((longest, had)) if period < longest * TOOTH && period * TOOTH > longest => {
                    if agreement > had + if nominal { 0.0 } else { NOMINAL_HOLDS } {
                        (period, agreement)
                    } else {
                        (longest, had)
                    }
                }
                Some((longest, had)) if period < longest => (longest, had),
                Some(shorter) if agreement < self.best * NEAR_BEST => shorter,
                _ => (period, agreement),
            });
        }
        self.candidate = self.candidate.saturating_add(1);
        if self.candidate <= steps.saturating_add(FURTHER) {
            return None;
        }
        let found = self.longest.map(
            |(longest, agreement)| {
                if agreement >= self.best * NEAR_BEST { longest } else { self.best_us }
            },
        );
        self.restart();
        self.rounds = self.rounds.saturating_add(1);
        match (found, self.proposal) {
            (Some(found), Some(before)) if found > before * 0.99 && found < before * 1.01 => {
                self.proposal = None;
                Some(if nominal(found) { found } else { self.refined(found) })
            }
            _ => {
                self.proposal = found;
                self.fresh = 0;
                None
            }
        }
    }

    /// The period next to one of no standard's that the pairs agree with best: candidates lie farther apart than a grid's rate is looked for.
    fn refined(&self, period_us: f64) -> f64 {
        let (mut best_us, mut most) = (period_us, self.agreement(period_us).0);
        for step in -REFINED..=REFINED {
            let near_us = period_us * (1.0 + REFINED_BY * f64::from(step));
            let (agreement, _) = self.agreement(near_us);
            if agreement > most {
                (best_us, most) = (near_us, agreement);
            }
        }
        best_us
    }

    fn restart(&mut self) {
        self.candidate = *STEPS.start();
        self.further_us = FURTHER_FROM_US;
        self.best = 0.0;
        self.best_us = 0.0;
        self.longest = None;
    }
}

/// Whether packets that are sent so far apart, µs, are whole periods apart.
pub(crate) fn divides(period_us: f64, sent_us: f64) -> bool {
    let periods = sent_us / period_us;
    periods > 0.5 && magnitude(periods - libm::round(periods)) < 1e-6
}

/// Whether a period is one of the connection intervals that Bluetooth LE allows.
pub(crate) fn nominal(period_us: f64) -> bool {
    let steps = period_us / INTERVAL_STEP_US;
    magnitude(steps - libm::round(steps)) < 1e-6
}

/// Whether a period is a usual one of them.
pub(crate) fn usual(period_us: f64) -> bool {
    let steps = crate::number::nearest(period_us / INTERVAL_STEP_US);
    nominal(period_us) && steps >= i64::from(*STEPS.start()) && steps <= i64::from(*STEPS.end())
}

/// By how much the least wait of the packets of so many seconds may change at the most, s, where they are sent each `period_s` and keep to a grid: at
/// another phase of it, no packet may come closer to its instants than this.
pub(crate) fn beat_s(period_s: f64, interval_us: f64, lasts_s: f64) -> f64 {
    largest_gap_us(period_s * 1e6, interval_us, lasts_s / period_s) * 1e-6
}

/// Whether a grid of such a period is the radio's: the one that was declared, or a usual one, unless packets of one delivery are bunched.
#[inline(never)]
pub(crate) fn of_radio(period_us: f64, declared_us: Option<f64>, bunched: bool) -> bool {
    usual(period_us) && !bunched
        || declared_us.is_some_and(|declared_us| magnitude(period_us - declared_us) < 1.0)
}

/// The largest stretch of a grid's period that no packet of `n` in a row falls into, µs, when they are sent each
/// `period_us` and the grid has `interval_us`, both in the same time: by the three-distance theorem (Sós 1958, from
/// memory), no list of phases is needed. Cost: O(n) steps at the worst, few as a rule.
#[inline(never)]
pub(crate) fn largest_gap_us(period_us: f64, interval_us: f64, n: f64) -> f64 {
    let turns = libm::floor(period_us / interval_us);
    let step = period_us - turns * interval_us;
    if n < 2.0 || !(step > 0.0 && step < interval_us) {
        return interval_us;
    }
    // Distances to the nearest phase on either side of the first, and which packet reached each.
    let (mut below, mut above) = (step, interval_us - step);
    let (mut n_below, mut n_above) = (1.0, 1.0);
    for _ in 0..100_000_u32 {
        if n_below + n_above >= n || below <= 0.0 || above <= 0.0 {
            break;
        }
        if below > above {
            below -= above;
            n_below += n_above;
        } else {
            above -= below;
            n_above += n_below;
        }
    }
    if n < n_below + n_above {
        below + above
    } else if below > above {
        below
    } else {
        above
    }
}

/// The longest period at which an app or a host's controller asks for packets that come more seldom, µs (own choice: an app that draws 30 times a second and looks
/// for packets each time, and some more). Above, there are radios whose period no standard names.
const LONGEST_POLLS_US: f64 = 40_000.0;
/// Share of a radio's period that a grid is off it by at the most: a radio's clock is right to 50 ppm (Bluetooth Core, Vol 6 Part B, 4.2.1, from memory), and the
/// host's to 100 (common practice, no source). A period of an app's that is nearer to one passes for a radio's.
pub(crate) const OF_RADIO: f64 = 1.5e-4;
/// The same while nobody knows yet whether the host's clock is being slewed, by 500 ppm as a rule: what a grid may hide would hide that too.
pub(crate) const OF_RADIO_LIVE: f64 = 1e-3;
/// Packets, and instants, whose phases are looked at: those that two grids keep up while their crystals hardly move against each other.
const PHASES: f64 = 200.0;
/// What they may wait for, as a multiple of what follows from these phases (own choice): stamps jitter.
const HIDDEN_REACH: f64 = 1.2;
/// Packets of several fragments may come so far apart inside one event, µs, and this distance pass for a grid; then the least delayed one may have waited for the packet
/// before, or some more than that (own choices).
const LONGEST_ON_AIR_US: f64 = 10_000.0;
const ON_AIR_REACH: f64 = 1.25;

/// How long packets that are sent each `sent_us` may go on waiting for a radio's grid beneath the one that was found, whatever shows, µs: for what is left of a step
/// of the one grid's phases against the packets, and of the other's against the first. 0 where the grid found is itself a radio's, or too slow to
/// be anybody's polls for packets that come more seldom; it is given by its nominal period, µs, and its rate, ppm. The grid beneath is the declared one, or any usual one that lets the packets through one by one; in groups, any.
#[inline(never)]
pub(crate) fn hidden_us(
    sent_us: f64,
    (found_us, stretch_ppm, rate_ppm): (f64, f64, f64),
    declared_us: Option<f64>,
    grouped: bool,
    of_radio: f64,
) -> f64 {
    let found_us = found_us * (1.0 + stretch_ppm * 1e-6);
    let seldom = found_us > LONGEST_POLLS_US && found_us <= sent_us;
    if seldom || near_radio(found_us, rate_ppm, declared_us, of_radio) {
        return 0.0;
    }
    let waits_us =
        |interval_us: f64| left_waiting_us(sent_us, interval_us) + left_waiting_us(interval_us, found_us);
    let on_air_us = if found_us > LONGEST_ON_AIR_US { 0.0 } else { ON_AIR_REACH * found_us };
    let longest_us = if grouped { LONGEST_US } else { greater(sent_us, found_us) };
    greater(on_air_us, longest_wait_us(declared_us, longest_us, &waits_us))
}

/// Whether a period, as it is by the host's clock, is that of a radio: a usual one, or the one that was declared, by that clock or, where that is off, by the
/// device's, which it gains `rate_ppm` on.
#[inline(never)]
pub(crate) fn near_radio(found_us: f64, rate_ppm: f64, declared_us: Option<f64>, of_radio: f64) -> bool {
    let by_one_clock = |found_us: f64| {
        let nearest_us = libm::round(found_us / INTERVAL_STEP_US) * INTERVAL_STEP_US;
        let near = |radio_us: f64| magnitude(found_us - radio_us) < of_radio * radio_us;
        usual(nearest_us) && near(nearest_us) || declared_us.is_some_and(near)
    };
    by_one_clock(found_us) || by_one_clock(found_us / (1.0 + rate_ppm * 1e-6))
}

/// How long something that comes each `sent_us` may go on waiting for a grid, µs: for what is left of a step of their phases.
#[inline(never)]
pub(crate) fn left_waiting_us(sent_us: f64, grid_us: f64) -> f64 {
    HIDDEN_REACH * largest_gap_us(sent_us, grid_us, PHASES)
}

/// The longest wait, µs, for the declared interval of a radio or else any usual one up to `longest_us`.
#[inline(never)]
pub(crate) fn longest_wait_us(
    declared_us: Option<f64>,
    longest_us: f64,
    waits_us: &dyn Fn(f64) -> f64,
) -> f64 {
    let intervals = STEPS.map(|steps| f64::from(steps) * INTERVAL_STEP_US);
    match declared_us {
        Some(declared_us) => waits_us(declared_us),
        None => intervals.take_while(|&us| us <= longest_us).map(waits_us).fold(0.0, greater),
    }
}

#[cfg(test)]
mod tests;
