//! Parts of the core that have an interface of their own, with numbers drawn on coarse steps, so that ties and edges come too.

use tickseam::block::{Arrival, Blocks, Bound, Deliveries, Interval, WorkingLine};
use tickseam::clocks::Clocks;
use tickseam::exchange::{self, Exchange};
use tickseam::filter::{Bank, Bounds, Feasible, Prior};
use tickseam::frame::Frame;
use tickseam::gaps::{GapTable, missing_in_sorted};
use tickseam::gate::{Gate, without_early};
use tickseam::intake::{CountClock, StreamConfig};
use tickseam::line::{LineAccumulator, OriginAccumulator, StampAccumulator};
use tickseam::live::Live;
use tickseam::map::ClockMap;
use tickseam::pair::{SyncPair, marker_half_width_us};
use tickseam::placement::{Budget, Knot, Placing, Shift};
use tickseam::region::{Keep, Region};
use tickseam::replay::{Stage, known_at, replay, stages_needed};
use tickseam::rise::{Rise, least_us};
use tickseam::select::envelope_line;
use tickseam::serial::SerialSpace;
use tickseam::setup::Setup;
use tickseam::student::{Component, combine, coverage_factor_95, effective_degrees_of_freedom};
use tickseam::timeline::{Counted, Timeline};
use tickseam::two_way::{Step, replay_pairs};
use tickseam::variation::{
    DelayAboveMinimum, InterarrivalJitter, InterarrivalJitterInteger, PacketDelayVariation,
};
use tickseam::watch::{Bin, Levels, Watch, threshold_us};

use crate::digest::Digest;
use crate::recordings::Draws;

/// A part: what it is called, and what it answers to numbers drawn.
pub(crate) type Part = (&'static str, fn(&mut Draws, &mut Digest));

/// All of them.
pub(crate) const PARTS: [Part; 21] = [
    ("blocks", blocks),
    ("clocks", clocks),
    ("exchanges", exchanges),
    ("filters", filters),
    ("gaps", gaps),
    ("gates", gates),
    ("knots and placements", placements),
    ("lines", lines),
    ("live estimates", lives),
    ("lower envelopes", envelopes),
    ("maps", maps),
    ("markers and sync pairs", pairs),
    ("regions", regions),
    ("replayed estimates", replays),
    ("rises", rises),
    ("serial numbers", serials),
    ("student", student),
    ("timelines", timelines),
    ("two ways", two_ways),
    ("variations", variations),
    ("watches", watches),
];

/// A whole number of steps about 0, or now and then what is no usual number.
fn coarse(draws: &mut Draws, steps: u64, step: f64) -> f64 {
    (draws.below(2 * steps + 1) as f64 - steps as f64) * step
}

fn whole(draws: &mut Draws, most: i64) -> i64 {
    draws.below(2 * most.unsigned_abs() + 1).cast_signed() - most
}

const EDGES: [i64; 6] = [i64::MIN, i64::MIN + 1, -1, 0, 1, i64::MAX];

fn student(draws: &mut Draws, digest: &mut Digest) {
    let mut degrees: Vec<f64> = (0..400_u16).map(|place| f64::from(place) * 0.25).collect();
    degrees.extend([f64::NAN, f64::INFINITY, -1.0, 1e3, 1e9, 1.0_f64.next_down()]);
    for of in &degrees {
        digest.answer(&coverage_factor_95(*of));
    }
    for _ in 0..400 {
        let components: Vec<Component> = (0..draws.below(4))
            .map(|_| Component {
                u: draws.of(&[0.0, 0.5, 1.0, 2.0, 3.25, -1.0, f64::INFINITY]),
                degrees_of_freedom: draws.of(&[1.0, 2.0, 9.0, 50.0, f64::INFINITY, 0.5, f64::NAN]),
            })
            .collect();
        digest.answer(&(combine(&components), effective_degrees_of_freedom(&components)));
    }
}

fn exchanges(draws: &mut Draws, digest: &mut Digest) {
    for round in 0..600 {
        let mut stamp = || if round % 3 == 0 { draws.of(&EDGES) } else { whole(draws, 6) };
        let exchange = Exchange::new(stamp(), stamp(), stamp(), stamp());
        digest.answer(&exchange.map(|of| {
            (
                (of.lower_ns(), of.upper_ns(), of.delay_ns(), of.offset_ns(), of.mean_path_delay_ns()),
                (of.correction_of_a_ns(), of.correction_of_b_ns(), of.offset_from_master_ns()),
                (of.bounds_ns(), of.u_ns()),
            )
        }));
    }
    for _ in 0..50 {
        let [a, b, c] = [0; 3].map(|_| coarse(draws, 20, 0.125));
        digest.number(exchange::fresh_dispersion_s(a, b, c));
        digest.number(exchange::grown_dispersion_s(a, b));
        digest.number(exchange::synchronization_distance_s(a, b));
    }
}

fn variations(draws: &mut Draws, digest: &mut Digest) {
    for round in 0..40 {
        let (mut jitter, mut whole_jitter) = (InterarrivalJitter::new(), InterarrivalJitterInteger::new());
        let (mut variation, mut above) = (PacketDelayVariation::new(), DelayAboveMinimum::new());
        for _ in 0..60 {
            let (sent, arrived) = if round % 8 == 0 {
                (draws.of(&EDGES), draws.of(&EDGES))
            } else {
                (whole(draws, 50), whole(draws, 90))
            };
            digest.answer(&(jitter.observe(sent, arrived), jitter.jitter()));
            whole_jitter.observe(sent as u32, arrived as u32);
            digest.answer(&(whole_jitter.scaled(), whole_jitter.reported()));
            if draws.below(7) == 0 {
                variation.lost();
            }
            digest.answer(&(variation.observe(arrived), variation.peak_to_peak_ns()));
            above.observe(sent);
            digest.answer(&(above.minimum_ns(), above.variation_ns(arrived)));
        }
    }
}

fn lines(draws: &mut Draws, digest: &mut Digest) {
    for round in 0..250 {
        let count = draws.below(9);
        let (mut one, mut other, mut origin) =
            (LineAccumulator::new(), LineAccumulator::new(), OriginAccumulator::new());
        let mut stamps = StampAccumulator::new(whole(draws, 9), draws.of(&[0, -7, i64::MAX, i64::MIN]));
        let spoilt = round % 10 == 0;
        for place in 0..count {
            let x = if round % 7 == 0 { 3.0 } else { coarse(draws, 8, 0.5) };
            let y = if round % 9 == 0 { 2.0 * x } else { coarse(draws, 8, 0.25) };
            let weight = draws.of(&[
                1.0,
                1.0,
                1.0,
                2.0,
                0.25,
                if spoilt { f64::NAN } else { 0.5 },
                if spoilt { 0.0 } else { 4.0 },
            ]);
            let x = if spoilt && place == 3 { f64::INFINITY } else { x };
            let to = if place % 3 == 0 { &mut other } else { &mut one };
            digest.answer(&(to.add(x, y, weight), origin.add(x, y, weight)));
            let far = draws.of(&[0, 1_i64 << 40, i64::MAX]);
            digest.answer(&stamps.add(whole(draws, 100).saturating_add(far), whole(draws, 100), weight));
        }
        digest.answer(&one.merge(&other));
        digest.answer(&(one.points(), one.weight_sum(), one.x_mean(), one.y_mean()));
        digest.answer(&(one.sxx(), one.sxy(), one.syy(), one.residual_ss(), origin.residual_ss()));
        for fit in [one.fit(), one.fit_with_known_scatter(draws.of(&[0.5, 0.0, -1.0, f64::NAN]))] {
            digest.answer(&fit.map(|fit| {
                let at = coarse(draws, 10, 0.75);
                let new = fit.predict_new(at, draws.of(&[1.0, 0.5, 0.0]));
                let predicted = fit.predict(at);
                (
                    (fit.at(at), predicted, predicted.u95(), new, fit.slope()),
                    (fit.degrees_of_freedom(), fit.residual_sd(), fit.residual_variance()),
                    (fit.x_mean(), fit.y_mean()),
                )
            }));
        }
        digest.answer(&origin.fit().map(|fit| (fit.predict(1.25), fit.slope(), fit.residual_sd())));
        digest.answer(&stamps.fit().map(|fit| [-50, 0, 77, i64::MAX].map(|at| fit.predict(at))));
        digest.answer(&(stamps.sums().points(), stamps.sums().sxx(), stamps.sums().sxy()));
    }
}

/// Arrivals on a clock with a wait of whole steps, and what is no number of a clock now and then.
fn arrivals(draws: &mut Draws, count: u64) -> Vec<Arrival> {
    let rate_ppm = coarse(draws, 10, 5.0);
    let period_s = draws.of(&[0.02, 0.25, 1.0]);
    let (jump_at, jump_us) = (draws.below(count.max(1)), draws.of(&[0.0, 0.0, 40_000.0, -40_000.0, 5e6]));
    let step_us = draws.of(&[0.0, 100.0, 7_500.0]);
    (0..count)
        .map(|place| {
            let late_s = if draws.below(12) == 0 { coarse(draws, 3, period_s) } else { 0.0 };
            let at_s = place as f64 * period_s + late_s;
            let wild_us =
                draws.of(&[0.0; 40]) + if draws.below(60) == 0 { draws.of(&[-6e6, 6e6, 1e9]) } else { 0.0 };
            let jumped_us = if place >= jump_at { jump_us } else { 0.0 };
            let wait_us = draws.below(5) as f64 * step_us;
            Arrival::new(at_s, 5_000.0 + rate_ppm * at_s + wait_us + jumped_us + wild_us)
        })
        .collect()
}

fn envelopes(draws: &mut Draws, digest: &mut Digest) {
    for round in 0..150 {
        let count = if round % 5 == 0 { draws.below(6) } else { 20 + draws.below(300) };
        let arrivals = arrivals(draws, count);
        digest.answer(&envelope_line(arrivals.iter().copied()).map(|line| {
            let working = line.working();
            (working, working.at(12.5))
        }));
        let mut deliveries = Deliveries::default();
        for _ in 0..40 {
            digest.number(deliveries.observe(draws.below(40).cast_signed() * 300_000));
        }
    }
}

fn gates(draws: &mut Draws, digest: &mut Digest) {
    for _ in 0..150 {
        let count = draws.below(120);
        let mut all = arrivals(draws, count);
        let mut gate = Gate::default();
        for arrival in &all {
            digest.answer(&gate.admit(*arrival));
        }
        digest.answer(&(gate.close(), gate.dropped));
        let kept = without_early(&mut all);
        digest.answer(&(kept, &all[..kept]));
    }
}

fn watches(draws: &mut Draws, digest: &mut Digest) {
    for _ in 0..150 {
        let wait_s = draws.of(&[0.0, 0.004, 0.02, 0.1]);
        let mut watch = Watch::new();
        let mut bin: Option<Bin> = None;
        let (mut before, mut after) = (Levels::of([]), Levels::of([]));
        let count = 50 + draws.below(400);
        for (place, arrival) in arrivals(draws, count).into_iter().enumerate() {
            digest.answer(&watch.observe(&arrival, wait_s));
            let of = bin.get_or_insert_with(|| Bin::new(&arrival));
            if of.ends_before(&arrival) {
                bin = Some(Bin::new(&arrival));
                let levels = if place < 100 { &mut before } else { &mut after };
                *levels = levels.and(arrival.residual_us);
            } else {
                of.take(&arrival);
            }
            digest.answer(&(
                bin.is_some(),
                before.low_us(),
                before.jump_to(&after, 1_000.0 * coarse(draws, 30, 1.0)),
            ));
        }
        digest.number(threshold_us(wait_s, coarse(draws, 20, 200.0)));
    }
}

fn knot(draws: &mut Draws) -> Knot {
    let (offset_us, half_us) = (coarse(draws, 9, 50.0), draws.of(&[0.0, 10.0, 400.0]));
    let (rate_ppm, rate_half_ppm) = (coarse(draws, 9, 2.0), draws.of(&[0.0, 0.5, 3.0]));
    Knot {
        at_s: coarse(draws, 40, 0.5),
        offset_us,
        low_us: offset_us - half_us,
        high_us: offset_us + half_us * draws.of(&[1.0, 0.5]),
        u_offset_us: half_us / 2.0,
        rate_ppm,
        rate_low_ppm: rate_ppm - rate_half_ppm,
        rate_high_ppm: rate_ppm + rate_half_ppm,
        u_rate_ppm: rate_half_ppm / 2.0,
        covariance: draws.of(&[0.0, 1.0, -3.0]),
        curvature_us: draws.of(&[0.0, 2.0]),
        lattice_us: draws.of(&[0.0, 5.0, 500.0]),
        contradicted: draws.of(&[false, false, true]),
    }
}

fn frame(draws: &mut Draws) -> Frame {
    Frame {
        device_origin: draws.of(&[0, 77, -3, i64::MAX - 5]),
        counts_per_s: draws.of(&[32_768.0, 250.0, 1e6, 3.0]),
        host_origin_ns: draws.of(&[0, 1_700_000_000_000_000_000, i64::MIN + 9]),
    }
}

fn placements(draws: &mut Draws, digest: &mut Digest) {
    for _ in 0..300 {
        let (one, other) = (knot(draws), knot(draws));
        let at_s = coarse(draws, 60, 0.75);
        digest.answer(&(one.carried(at_s, draws.of(&[0.0, 0.01, 0.5])), one.half_width_us()));
        digest.answer(&one.towards(&other, at_s, draws.of(&[0.0, 0.02])));
        let placing = Placing {
            frame: frame(draws),
            fixed_delay: Shift { us: coarse(draws, 9, 1_000.0), u_us: draws.of(&[0.0, 30.0, 300.0]) },
            resolution_us: draws.of(&[0.0, 1.0, 1_000.0]),
            curvature_ppm_per_s: draws.of(&[0.0, 0.05]),
        };
        let holdover_us = draws.of(&[0.0, 12.0]);
        let mut placed = |knot: Knot| {
            let host_ns = placing.frame.host_origin_ns.saturating_add(whole(draws, 90_000_000_000));
            let latency = Shift { us: coarse(draws, 5, 7_000.0), u_us: draws.of(&[0.0, 500.0]) };
            placing.place(host_ns, latency, |at_s| (knot.carried(at_s, 0.0), holdover_us))
        };
        let (a, b) = (placed(one), placed(other));
        digest.answer(&(a, b, a.by_bounds(), a.or(&b), b.or(&a), a.by_bounds().or(&b.by_bounds())));
        let Budget { .. } = a.budget;
        digest.answer(&(a.budget.u95_us(), a.budget.u95_at_edge_us()));
        digest.answer(&placing.map(&one, at_s, holdover_us));
        let setup = Setup::new(draws.of(&[0.0, 20.0, 50.0]), draws.of(&[0.004, 0.02, 1.0]));
        digest.answer(&setup.with_rate_seen(coarse(draws, 30, 10.0), draws.of(&[0.0, 1.0, 30.0])));
    }
}

fn maps(draws: &mut Draws, digest: &mut Digest) {
    for _ in 0..300 {
        let mut map = || {
            let from_s = coarse(draws, 50, 1.5);
            ClockMap {
                frame: frame(draws),
                at_s: coarse(draws, 50, 1.25),
                offset_us: coarse(draws, 50, 30.0),
                rate_ppm: coarse(draws, 50, 2.0),
                u_offset_us: draws.of(&[0.0, 3.0, 40.0]),
                u_rate_ppm: draws.of(&[0.0, 0.1, 2.0]),
                covariance: draws.of(&[0.0, 0.2, -6.0]),
                half_width_us: draws.of(&[0.0, 9.0, 90.0]),
                growth_ppm: draws.of(&[0.0, 1.0]),
                curvature_ppm_per_s: draws.of(&[0.0, 0.02]),
                valid_from_s: from_s,
                valid_to_s: from_s + draws.of(&[0.0, 8.0, 100.0]),
            }
        };
        let (one, other) = (map(), map());
        digest.answer(&(one.inverted(), one.chain(&other), one.inverted().chain(&other.inverted())));
        let at_s = coarse(draws, 80, 1.75);
        digest.answer(&(one.host_at_s(at_s), one.age_s(at_s), one.u_us(at_s), one.u95_us(at_s)));
        digest.answer(&(one.drift_ppm(), one.host_at(whole(draws, 1 << 20))));
        let host_ns = one.frame.host_origin_ns.saturating_add(whole(draws, 90_000_000_000));
        digest.answer(&one.device_at(host_ns));
        let frame = one.frame;
        digest.answer(&(
            frame.count(at_s),
            frame.counts(at_s),
            frame.device_s(whole(draws, 99)),
            frame.host_us(host_ns),
        ));
        digest.answer(&(frame.residual_us(host_ns, at_s), frame.arrival(whole(draws, 999), host_ns)));
        digest.answer(&frame.device_s_at(host_ns, coarse(draws, 3, 1e3), |x| 20.0 * x - 5.0));
    }
}

fn pairs(draws: &mut Draws, digest: &mut Digest) {
    for _ in 0..200 {
        let of = Frame {
            device_origin: draws.of(&[0, 5]),
            counts_per_s: draws.of(&[1_000.0, 32_768.0]),
            host_origin_ns: 0,
        };
        let mut at = || whole(draws, 400);
        let (origin, receive, transmit, destination) = (at() * 1_000_000, at(), at(), at() * 1_000_000);
        digest.answer(&SyncPair::of_exchange(&of, 1.0, origin, receive, transmit, destination));
        digest.answer(&SyncPair::of_marker(&of, 1.0, 50.0, origin, receive));
        let scale_ns = 1_000_000_000 / of.counts_per_s as i64;
        let markers: Vec<(i64, i64)> = (0..draws.below(40).cast_signed())
            .map(|place| (place * 1_000 * scale_ns + whole(draws, 4) * 100_000, place * 1_000))
            .collect();
        digest.number(marker_half_width_us(&of, markers.iter().copied()));
    }
}

fn regions(draws: &mut Draws, digest: &mut Digest) {
    for _ in 0..300 {
        let mut rectangle = || {
            let (rate, offset) = (coarse(draws, 4, 5.0), coarse(draws, 4, 100.0));
            Region::rectangle(
                rate,
                rate + draws.of(&[0.0, 5.0, 40.0]),
                offset,
                offset + draws.of(&[0.0, 100.0, 2_000.0]),
            )
        };
        let (mut region, other) = (rectangle(), rectangle());
        for _ in 0..14 {
            match draws.below(8) {
                0..=3 => {
                    let keep = draws.of(&[Keep::Below, Keep::Above]);
                    digest.answer(&region.cut(coarse(draws, 10, 1.0), coarse(draws, 10, 100.0), keep));
                }
                4 => region.shear(coarse(draws, 4, 5.0)),
                5 => region.dilate(draws.of(&[0.0, 0.5, 2.0]), draws.of(&[0.0, 1.0, 50.0])),
                6 => {
                    let low = coarse(draws, 5, 4.0);
                    digest.answer(&region.cut_rates(low, low + draws.of(&[0.0, 3.0, 20.0])));
                }
                _ => region.open(draws.of(&[0.0, 1.0]), draws.of(&[0.0, 60.0])),
            }
            digest.answer(&(region.area(), region.corners(), region.moments()));
            digest.answer(&(
                region.offset_range(),
                region.rate_range(),
                region.offset_range_at(coarse(draws, 4, 5.0)),
            ));
            digest.answer(&Knot::of(&region, coarse(draws, 4, 5.0)));
        }
        digest.answer(&region.intersection(&other).map(|both| (both.area(), both.corners().to_vec())));
    }
}

fn bounds(draws: &mut Draws, at_s: f64) -> Bounds {
    let residual_us = 20.0 * at_s + coarse(draws, 6, 40.0);
    let bound = |off_us: f64| Some(Bound { at_s: at_s - 0.5, residual_us: residual_us + off_us });
    Bounds {
        at_s,
        upper: if draws.below(8) == 0 { None } else { bound(draws.of(&[100.0, 600.0, -300.0])) },
        lower: if draws.below(3) == 0 { None } else { bound(draws.of(&[-100.0, -900.0, 400.0])) },
        doubtful: draws.below(5) == 0,
        ..Bounds::default()
    }
}

fn filters(draws: &mut Draws, digest: &mut Digest) {
    for _ in 0..120 {
        let prior = Prior {
            rate_ppm: coarse(draws, 3, 10.0),
            rate_half_width_ppm: draws.of(&[5.0, 70.0]),
            depth_us: draws.of(&[1_000.0, 50_000.0]),
        };
        let first = Bound { at_s: 0.0, residual_us: coarse(draws, 4, 100.0) };
        let mut bank = Bank::new(&prior, first);
        let mut one = Feasible::new(&prior, draws.of(&[0.0, 0.01, 0.3]), first);
        let mut at_s = 0.0;
        for _ in 0..25 {
            at_s += draws.of(&[0.0, 1.0, 1.0, 12.0]);
            let bounds = bounds(draws, at_s);
            digest.answer(&(bank.observe(&bounds, &prior), one.observe(&bounds, &prior), bank.weights()));
            for of in [bank.chosen(), bank.gentlest(), &one] {
                digest.answer(&(of.at_s(), of.curvature(), of.region().area(), of.region().moments()));
                digest.answer(&of.settled(&prior).corners());
            }
            match draws.below(6) {
                0 => bank.reweigh(),
                1 => one.settle(&prior),
                2 => one.set_curvature(draws.of(&[0.0, 0.1])),
                3 => one.advance(at_s + 2.0, &prior),
                _ => {}
            }
        }
    }
}

fn rises(draws: &mut Draws, digest: &mut Digest) {
    for _ in 0..120 {
        let (resolution_us, wait_s) = (draws.of(&[0.0, 1.0, 1_000.0]), draws.of(&[0.0, 0.02, 0.1]));
        digest.number(least_us(wait_s));
        let mut rise = Rise::default();
        for (place, arrival) in arrivals(draws, 120).iter().enumerate() {
            if place % 40 == 0 {
                rise.follow(&Knot {
                    at_s: arrival.device_s,
                    high_us: arrival.residual_us + 100.0,
                    ..knot(draws)
                });
            }
            rise.observe(arrival, resolution_us, wait_s);
            let soon_s = arrival.device_s + coarse(draws, 2, 0.02);
            digest.answer(&(rise.is_doubted(), rise.by_us(soon_s), rise.in_time()));
        }
    }
}

fn serials(draws: &mut Draws, digest: &mut Digest) {
    for bits in 0..=65_u8 {
        let space = SerialSpace::new(bits);
        digest.answer(
            &space.map(|space| (space.bits(), space.largest(), space.largest_addend(), space.turn())),
        );
        let Ok(space) = space else { continue };
        for _ in 0..60 {
            let near = [0, 1, space.largest(), space.largest() / 2, space.largest() / 2 + 1];
            let (a, b) =
                (draws.of(&near).wrapping_add(draws.below(3)), draws.of(&near).wrapping_sub(draws.below(3)));
            digest.answer(&(space.compare(a, b), space.distance(a, b), space.add(a, b), space.contains(a)));
            let about = draws.of(&EDGES).saturating_add(whole(draws, 3));
            digest.answer(&(space.unwrap_near(about, b), space.first_from(about, a), space.reduce(about)));
            digest.answer(&(
                space.contains(a).then(|| space.begin(a)),
                space.unwrap_near(whole(draws, 1 << 20), a),
            ));
        }
    }
}

fn gaps(draws: &mut Draws, digest: &mut Digest) {
    for round in 0..200 {
        let mut table = GapTable::<4>::new();
        let mut newest = if round % 9 == 0 { i64::MAX - 30 } else { whole(draws, 5) };
        for _ in 0..50 {
            let index = match draws.below(6) {
                0 => newest.saturating_sub(draws.below(12).cast_signed()),
                1 => newest.saturating_add(draws.below(5).cast_signed()),
                _ => newest.saturating_add(1),
            };
            newest = newest.max(index);
            digest.answer(&(table.receive(index), table.gaps(), table.missing_packets(), table.open()));
            digest.word(table.missing_samples(draws.of(&[1, 5, u32::MAX])));
            if draws.below(25) == 0 {
                table.finalise();
            }
        }
        let mut indices: Vec<i64> = (0..draws.below(20)).map(|_| whole(draws, 15)).collect();
        indices.sort_unstable();
        let all: Vec<_> =
            missing_in_sorted(indices).map(|gap| (gap, gap.last_index(), gap.samples(5))).collect();
        digest.answer(&all);
    }
}

fn two_ways(draws: &mut Draws, digest: &mut Digest) {
    for round in 0..60 {
        let prior = Prior { rate_ppm: 0.0, rate_half_width_ppm: draws.of(&[20.0, 70.0]), depth_us: 50_000.0 };
        let rate_ppm = coarse(draws, 10, 4.0);
        let count = if round % 6 == 0 { draws.below(5) } else { 10 + draws.below(120) };
        let mut all = Vec::new();
        for place in 0..count {
            let at_s = place as f64 * draws.of(&[1.0, 2.0]);
            let true_us = 300.0 + rate_ppm * at_s + if draws.below(40) == 0 { 4_000.0 } else { 0.0 };
            let (there_us, back_us) = (draws.below(9) as f64 * 250.0, draws.below(9) as f64 * 100.0);
            let both = draws.below(4);
            all.push(SyncPair {
                at_s,
                low_us: Some(true_us - there_us),
                high_us: (both == 0).then_some(true_us + back_us),
            });
            if both != 0 {
                all.push(SyncPair { at_s: at_s + 0.01, low_us: None, high_us: Some(true_us + back_us) });
            }
        }
        all.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        let mut steps = vec![Step::empty(); if round == 7 { 1 } else { all.len() }];
        digest.answer(&replay_pairs(&all, &prior, &mut steps));
        steps.iter().for_each(|step| digest.answer(&step.knot));
    }
}

/// Packets of a link that waits, loses, batches and changes, all on coarse steps, and pairs beside them.
struct Link {
    setup: Setup,
    arrivals: Vec<Arrival>,
    pairs: Vec<SyncPair>,
    grid_us: f64,
}

fn link(draws: &mut Draws, most: u64, jumps: bool) -> Link {
    let period_us = draws.of(&[4_000.0, 10_000.0, 20_000.0, 20_000.0, 31_250.0, 60_000.0, 100_000.0]);
    let grid_us = draws.of(&[0.0, 7_500.0, 11_250.0, 15_000.0, 15_000.0, 20_000.0, 30_000.0, 48_750.0]);
    let step_us = draws.of(&[0.0, 1.0, 1.0, 61.0, 1_000.0, 976.562_5, 10_000.0]);
    let (tolerance_ppm, rate_ppm) = (draws.of(&[20.0, 50.0]), draws.of(&[0.0, 17.0, -40.0, 40.0, 4_000.0]));
    let grid_ppm = draws.of(&[0.0, 0.0, 15.0, -35.0]);
    let mut setup = Setup::new(tolerance_ppm, period_us * 1e-6);
    setup.device_step_us = draws.of(&[0.0, 30.5]);
    setup.resolution_us = step_us + setup.device_step_us + 0.001;
    setup.fixed_delay = draws.of(&[None, Some(Shift { us: 4_000.0, u_us: 150.0 })]);
    setup.interval_us = draws.of(&[None, Some(grid_us).filter(|us| *us > 0.0), Some(18_750.0)]);
    let late = draws.of(&[2, 5, 5, 20, 1_000]);
    let waits_us = draws.of(&[0.0, 50.0, 400.0, 3_000.0]);
    let lost = draws.of(&[3, 30, 10_000]);
    let batch_us = draws.of(&[0.0, 0.0, 0.0, 100_000.0, 500_000.0]);
    let count = 60 + draws.below(most);
    let change_at = count * draws.of(&[1, 2, 9]) / 3;
    let (mut arrivals, mut pairs) = (Vec::new(), Vec::new());
    let (mut jumped_us, mut silent_s, mut newest_us) = (0.0, 0.0, f64::NEG_INFINITY);
    for place in 0..count {
        if jumps && draws.below(600) == 0 {
            jumped_us += draws.of(&[-2e6, -40_000.0, 30_000.0, 250_000.0, 3e6]);
            newest_us = f64::NEG_INFINITY;
        }
        if draws.below(900) == 0 {
            silent_s += draws.of(&[1.0, 15.0, 70.0]);
        }
        if draws.below(lost) == 0 {
            continue;
        }
        let at_s = place as f64 * period_us * 1e-6 + silent_s;
        let mut host_us = at_s * 1e6 + rate_ppm * at_s + 4_000.0 + draws.below(9) as f64 * waits_us;
        if grid_us > 0.0 {
            let grid_us = if place < change_at { grid_us } else { 2.0 * grid_us } * (1.0 + grid_ppm * 1e-6);
            let missed = if draws.below(late) == 0 { draws.of(&[1.0, 1.0, 2.0, 7.0]) } else { 0.0 };
            host_us = ((host_us / grid_us).ceil() + missed) * grid_us + draws.below(4) as f64 * 40.0;
        }
        if batch_us > 0.0 {
            host_us = (host_us / batch_us).ceil() * batch_us;
        }
        if host_us < newest_us {
            host_us = newest_us;
        }
        let behind_us = if host_us == newest_us { 0.0 } else { draws.of(&[0.0, 0.0, 600.0]) };
        newest_us = host_us;
        host_us += jumped_us;
        if step_us > 0.0 {
            host_us = (host_us / step_us).floor() * step_us;
        }
        arrivals.push(Arrival::new(at_s, host_us - at_s * 1e6).behind(behind_us));
        if draws.below(120) == 0 {
            let true_us = rate_ppm * at_s + jumped_us;
            let (low_us, high_us) =
                (true_us - draws.of(&[50.0, 900.0, 9_000.0]), true_us + draws.of(&[50.0, 2_000.0]));
            let (low_us, high_us) = draws.of(&[
                (Some(low_us), Some(high_us)),
                (Some(low_us), None),
                (None, Some(high_us)),
                (Some(low_us + 8_000.0), Some(high_us + 8_000.0)),
            ]);
            pairs.push(SyncPair { at_s, low_us, high_us });
        }
    }
    Link { setup, arrivals, pairs, grid_us }
}

fn blocks(draws: &mut Draws, digest: &mut Digest) {
    for _ in 0..60 {
        let Link { setup, arrivals, grid_us, .. } = link(draws, 1_200, false);
        let rate_ppm = draws.of(&[0.0, 20.0]);
        let line = WorkingLine { offset_us: draws.of(&[0.0, 4_000.0]), rate_ppm, ..WorkingLine::default() };
        let declared = draws.of(&[None, Some(grid_us), Some(18_750.0)]).filter(|us| *us > 0.0);
        let mut blocks = Blocks::new(line, &setup, declared.map(Interval::declared));
        for arrival in arrivals {
            if let Some(block) = blocks.close_before(&arrival) {
                digest.answer(&(block, blocks.interval(), blocks.found_a_grid(), blocks.given_refuted()));
                if draws.below(5) == 0 {
                    let at = block.stamped;
                    blocks.follow(WorkingLine { origin_s: at.at_s, offset_us: at.residual_us, rate_ppm });
                }
            }
            blocks.observe(arrival);
        }
        digest.answer(&(blocks.close(), blocks.interval()));
    }
}

fn lives(draws: &mut Draws, digest: &mut Digest) {
    for _ in 0..100 {
        let Link { setup, arrivals, pairs, .. } = link(draws, 2_500, false);
        let mut live = Live::new(setup);
        let mut pairs = pairs.into_iter().peekable();
        for (place, arrival) in arrivals.into_iter().enumerate() {
            while let Some(pair) = pairs.next_if(|pair| pair.at_s <= arrival.device_s) {
                live.observe_pair(&pair);
            }
            live.observe(arrival);
            if place % 25 == 0 {
                let at_s = arrival.device_s - draws.of(&[0.0, 1.0, 30.0, -0.5, -100.0]);
                digest.answer(&(live.known_at(at_s), live.longest_wait_s(), live.curvature_ppm_per_s()));
                digest.answer(&(
                    live.is_congested(),
                    live.off_nominal(),
                    live.rests_on_pairs(),
                    live.in_time_s(),
                ));
            }
        }
        digest.answer(&(
            live.interval(),
            live.fixed_delay(),
            live.blocks_taken(),
            live.packets_late(),
            live.newest_s(),
        ));
    }
}

fn clocks(draws: &mut Draws, digest: &mut Digest) {
    for _ in 0..60 {
        let Link { setup, arrivals, .. } = link(draws, 2_500, true);
        let mut clocks = Clocks::new(&setup);
        for (place, arrival) in arrivals.into_iter().enumerate() {
            digest.answer(&clocks.observe(&setup, arrival));
            if place % 20 == 0 {
                let stamped_us = arrival.host_us() - draws.of(&[0.0, 100_000.0, 2e6, 3e7, -1e6]);
                digest.answer(&(clocks.is_surely_present(stamped_us), clocks.since_s()));
                for clock in clocks.that_stamped(stamped_us) {
                    digest.answer(&(clock.from_us(), clock.until_us(), clock.fixed_delay()));
                    digest.answer(&clock.known_at(arrival.device_s - 0.5));
                }
            }
        }
        let ended = clocks.end();
        for clock in ended.that_stamped(draws.of(&[0.0, 1e6, 2e7])) {
            digest.answer(&(clock.from_us(), clock.until_us(), clock.known_at(3.0)));
        }
        for clock in clocks.all() {
            digest.answer(&(clock.from_us(), clock.until_us(), clock.known_at(3.0)));
        }
    }
}

fn replays(draws: &mut Draws, digest: &mut Digest) {
    for _ in 0..100 {
        let Link { setup, arrivals, pairs, .. } = link(draws, 4_000, false);
        let line = envelope_line(arrivals.iter().copied())
            .map_or_else(|_| WorkingLine::default(), |line| line.working());
        let span_s = arrivals.last().map_or(0.0, |last| last.device_s);
        let mut stages = vec![Stage::empty(); stages_needed(arrivals.len(), pairs.len(), span_s)];
        let report = replay(&arrivals, &pairs, line, &setup, &mut stages);
        digest.answer(&(report, report.longest_jump_s(setup.period_s)));
        let stages = &stages[..report.stages];
        for stage in stages {
            digest.answer(&(stage.block(), stage.bounds(), stage.knot));
        }
        for at_s in [-5.0, span_s * 0.3, span_s + 20.0] {
            digest.answer(&known_at(stages, at_s, report.curvature_ppm_per_s));
        }
    }
}

fn timelines(draws: &mut Draws, digest: &mut Digest) {
    for _ in 0..300 {
        let stream = StreamConfig {
            rate_hz: draws.of(&[250.0, 256.0, 100.0, 1.0]),
            samples_per_packet: draws.of(&[1, 5, 10]),
            sequence_bits: 16,
        };
        let tick_hz = draws.of(&[None, Some(32_768.0), Some(1_000.0)]);
        let each = tick_hz.map_or(0.0, |hz| hz * f64::from(stream.samples_per_packet) / stream.rate_hz);
        let (off, odd) = (draws.below(9) as f64 / 8.0, draws.of(&[3, 1_000]));
        let mut packets = Vec::new();
        for index in 0..draws.below(40).cast_signed() {
            if draws.below(6) == 0 {
                continue;
            }
            let tick = (index as f64 * each + off).floor() as i64 + i64::from(draws.below(odd) == 0);
            let samples = stream.samples_per_packet + u32::from(draws.below(odd) == 0);
            let ticked = tick_hz.is_some() && draws.below(20) > 0;
            packets.push(Counted { index, tick: ticked.then_some(tick), samples });
        }
        let timeline = Timeline::of(packets.iter().copied(), stream, tick_hz);
        digest.answer(&timeline.map(|of| (of.clock == CountClock::Ticks, of.first_tick, of.first_index)));
        let Some(timeline) = timeline else { continue };
        let frame = timeline.frame(1_000_000_000, tick_hz);
        digest.answer(&frame);
        for packet in &packets {
            digest.answer(&timeline.count(*packet));
        }
        for _ in 0..40 {
            let at_s = coarse(draws, 200, 0.5 / stream.rate_hz);
            let packet = |at: usize| packets.get(at).copied();
            digest.answer(&timeline.samples_at(&frame, at_s, packets.len(), packet));
        }
    }
}
