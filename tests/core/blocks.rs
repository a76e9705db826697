//! What a block of arrivals proves is true, and as sharp as its grid allows.

use tickseam::block::{Block, Blocks, Interval, WorkingLine};
use tickseam::setup::Setup;

use crate::arrivals::{Link, SOONEST_US};

/// Stamps without any rounding.
fn exact(link: &Link) -> Setup {
    Setup { resolution_us: 0.0, ..Setup::new(50.0, link.period_s) }
}

/// All blocks of a link's arrivals, and the collector as it ended.
fn blocks(link: &Link, seed: u64, interval_us: Option<f64>) -> (Vec<Block>, Blocks) {
    let line = WorkingLine { origin_s: 0.0, offset_us: SOONEST_US, rate_ppm: link.rate_ppm };
    let mut collector = Blocks::new(line, &exact(link), interval_us.map(Interval::declared));
    let mut blocks = vec![];
    for arrival in link.arrivals(seed) {
        blocks.extend(collector.close_before(&arrival));
        collector.observe(arrival);
    }
    blocks.extend(collector.close());
    (blocks, collector)
}

/// Against single precision inside a block: its entries lie within 0.1 s of their reference.
const ROUNDING_US: f64 = 0.05;

#[test]
fn bounds_on_an_exact_grid_hold_the_truth() {
    let (mut lower_bounds, mut too_high, mut worst_us) = (0_u32, 0_u32, 0.0_f64);
    for (period_s, interval_us) in [
        (0.020, 15_000.0),
        (0.020, 7_500.0),
        (0.040, 30_000.0),
        (0.010, 30_000.0),
        (0.012, 11_250.0),
        (0.064, 48_750.0),
    ] {
        for (again, jitter_us) in [(0.0, 0.0), (0.0, 300.0), (0.05, 0.0), (0.1, 300.0), (0.1, 1_000.0)] {
            for seed in 1..=2 {
                let link =
                    Link { period_s, interval_us, again, jitter_us, stretch_ppm: 12.0, ..Link::default() };
                let what = format!(
                    "each {period_s} s, {interval_us} µs, again {again}, jitter {jitter_us}, seed {seed}"
                );
                let (blocks, _) = blocks(&link, seed, Some(interval_us));
                let mut bounded = 0;
                for block in &blocks {
                    let truth = link.truth_us(block.upper.at_s);
                    assert!(
                        block.upper.residual_us >= truth - ROUNDING_US,
                        "{what}: {block:?}, truth {truth}"
                    );
                    let truth = link.truth_us(block.stamped.at_s);
                    assert!(
                        block.stamped.residual_us >= truth - ROUNDING_US,
                        "{what}: {block:?}, truth {truth}"
                    );
                    assert!(
                        block.minimum.residual_us >= link.truth_us(block.minimum.at_s) - link.air_us * 4.0
                    );
                    if let Some(lower) = block.lower {
                        bounded += 1;
                        let over = lower.residual_us - link.truth_us(lower.at_s);
                        worst_us = worst_us.max(over);
                        too_high += u32::from(over > ROUNDING_US);
                    }
                }
                assert!(
                    bounded * 10 >= 7 * blocks.len(),
                    "{what}: {bounded} of {} have a lower bound",
                    blocks.len()
                );
                lower_bounds += bounded as u32;
            }
        }
    }
    eprintln!("{too_high} of {lower_bounds} lower bounds too high, by {worst_us} µs at the worst");
    // As many late packets are passed over as leave a chance of 1e-3 for each block.
    assert!(too_high * 1_000 <= lower_bounds, "{too_high} of {lower_bounds}, by {worst_us} µs at the worst");
}

#[test]
fn bounds_on_a_grid_without_jitter_lie_less_than_the_grid_apart() {
    // 20 ms and 15 ms share 5 ms: the smallest wait and the largest that is not late differ by 10 ms, and 5 ms stay open.
    let link = Link { packets: 15_000, ..Link::default() };
    let (blocks, _) = blocks(&link, 3, Some(15_000.0));
    for block in blocks.iter().skip(10) {
        let lower = block.lower.expect("every packet is on time");
        let open_us =
            block.upper.residual_us - lower.residual_us - link.rate_ppm * (block.upper.at_s - lower.at_s);
        assert!(open_us > 4_900.0 && open_us < 5_600.0, "{open_us} µs: {block:?}");
        // At a slip, one of three phases goes from no wait to a whole interval, which is told from a late packet no more.
        assert!(block.on_time * 3 >= block.packets * 2, "{block:?}");
    }
}

#[test]
fn the_rate_of_the_grid_is_found_within_one_part_per_million() {
    for stretch_ppm in [-80.0, -3.0, 0.0, 41.0] {
        for (period_s, interval_us) in [(0.020, 15_000.0), (0.040, 30_000.0), (0.012, 11_250.0)] {
            for (jitter_us, allowed_ppm) in [(0.0, 0.01), (300.0, 1.0)] {
                let link =
                    Link { period_s, interval_us, stretch_ppm, jitter_us, again: 0.05, ..Link::default() };
                let (blocks, collector) = blocks(&link, 4, Some(interval_us));
                let interval = collector.interval().expect("the grid is there");
                let off = interval.stretch_ppm - stretch_ppm;
                let what = format!(
                    "{stretch_ppm} ppm, {period_s} s, {interval_us} µs, jitter {jitter_us}: off by {off}"
                );
                assert_eq!(interval.period_us, interval_us, "{what}");
                assert!(
                    off.abs() < interval.stretch_u_ppm,
                    "{what}, said to be within {}",
                    interval.stretch_u_ppm
                );
                // The last twelve blocks, 24 s or more, measure it.
                let last = &blocks[blocks.len() - 20..blocks.len() - 1];
                let mean = last.iter().map(|b| b.stretch_ppm).sum::<f64>() / last.len() as f64;
                assert!(
                    (mean - stretch_ppm).abs() < allowed_ppm,
                    "{what}, mean off by {}",
                    mean - stretch_ppm
                );
            }
        }
    }
}

#[test]
fn without_a_grid_nothing_but_the_stamps_bounds() {
    for jitter_us in [0.0, 800.0] {
        let link = Link { interval_us: 0.0, jitter_us, ..Link::default() };
        let (blocks, collector) = blocks(&link, 5, None);
        assert!(!collector.found_a_grid() && collector.interval().is_none());
        let arrivals = link.arrivals(5);
        assert_eq!(blocks.iter().map(|b| usize::from(b.packets)).sum::<usize>(), arrivals.len());
        for block in &blocks {
            assert_eq!((block.lower, block.interval_us, block.on_time), (None, 0.0, block.packets));
            let least = arrivals
                .iter()
                .filter(|a| a.device_s >= block.from_s && a.device_s <= block.to_s)
                .map(|a| a.residual_us - link.truth_us(a.device_s))
                .fold(f64::INFINITY, f64::min);
            let upper = block.upper.residual_us - link.truth_us(block.upper.at_s);
            assert!((upper - least).abs() < ROUNDING_US, "{upper} {least}");
        }
    }
}

#[test]
fn a_stamp_that_is_rounded_down_bounds_by_one_step_more() {
    let link = Link { interval_us: 0.0, jitter_us: 500.0, ..Link::default() };
    let line = WorkingLine { origin_s: 0.0, offset_us: SOONEST_US, rate_ppm: link.rate_ppm };
    let mut collector = Blocks::new(line, &Setup { resolution_us: 1_000.0, ..exact(&link) }, None);
    for mut arrival in link.arrivals(6) {
        let host_us = arrival.residual_us + arrival.device_s * 1e6;
        arrival.residual_us = (host_us / 1_000.0).floor() * 1_000.0 - arrival.device_s * 1e6;
        if let Some(block) = collector.close_before(&arrival) {
            let over = block.upper.residual_us - link.truth_us(block.upper.at_s);
            assert!((-ROUNDING_US..1_300.0).contains(&over), "{over}");
        }
        collector.observe(arrival);
    }
}

/// A millisecond that a host stamp is rounded down to.
const STEP_US: f64 = 1_000.0;

/// What parts of the host's step the blocks of a link without a grid say that packets met, and for each the same worked out from where its
/// packets truly could arrive.
fn met(link: &Link, stamped: impl Fn(f64) -> f64) -> Vec<(u16, u16)> {
    let line = WorkingLine { origin_s: 0.0, offset_us: SOONEST_US, rate_ppm: link.rate_ppm };
    let setup = Setup { resolution_us: STEP_US, ..Setup::new(50.0, link.period_s) };
    let mut collector = Blocks::new(line, &setup, None);
    let (mut compared, mut truly) = (vec![], 0_u16);
    for mut arrival in link.arrivals(1) {
        arrival.residual_us = stamped(arrival.residual_us + arrival.device_s * 1e6) - arrival.device_s * 1e6;
        if let Some(block) = collector.close_before(&arrival) {
            compared.push((block.met, truly));
            truly = 0;
        }
        collector.observe(arrival);
        let soonest_us = arrival.device_s * 1e6 + link.truth_us(arrival.device_s);
        truly |= 1 << (soonest_us.rem_euclid(STEP_US) / STEP_US * 16.0).floor() as u32;
    }
    compared
}

#[test]
fn the_parts_of_a_step_that_packets_met_are_those_in_which_they_could_arrive() {
    let floored = |host_us: f64| (host_us / STEP_US).floor() * STEP_US;
    // Each packet 0.3 ms, 0 ms or 0.51 ms on in its step; the first two drift apart slowly.
    for (period_s, parts) in [(0.017_3, 9..=16), (0.020, 1..=3), (0.020_51, 16..=16)] {
        for jitter_us in [0.0, 400.0] {
            let link = Link { interval_us: 0.0, period_s, jitter_us, rate_ppm: 10.0, ..Link::default() };
            for (met, truly) in met(&link, floored) {
                // Within a block device times are single: at the edge of a part, either.
                let near = truly.rotate_left(1) | truly | truly.rotate_right(1);
                assert_eq!(met & !near, 0, "{period_s} s: {met:016b} {truly:016b}");
                assert!(met.count_ones().abs_diff(truly.count_ones()) <= 2, "{met:016b} {truly:016b}");
                assert!(parts.contains(&met.count_ones()), "{period_s} s: {met:016b}");
            }
        }
    }
}

#[test]
fn a_step_that_the_stamps_do_not_keep_to_is_none() {
    // Declared coarser than it is: to be on the safe side, or because of what the app adds.
    let link = Link { interval_us: 0.0, period_s: 0.017_3, ..Link::default() };
    for stamped in [|host_us: f64| host_us, |host_us: f64| (host_us / 300.0).floor() * 300.0] {
        assert!(met(&link, stamped).iter().all(|(met, _)| *met == 0));
    }
}

#[test]
fn arrivals_off_the_grid_refute_a_declared_interval() {
    // A constant delay, and a sending period that steps through the phases of the declared grid.
    for (period_s, declared_us) in [(0.0173, 15_000.0), (0.0331, 30_000.0)] {
        let link = Link { interval_us: 0.0, period_s, ..Link::default() };
        let (blocks, collector) = blocks(&link, 7, Some(declared_us));

        // Each block of such arrivals is off the grid by more than chance, and four in a row are needed.
        assert!(
            collector.given_refuted() && collector.interval().is_none(),
            "{period_s} s, {declared_us} µs"
        );
        let given_up = blocks.iter().position(|b| b.interval_us == 0.0).unwrap_or(blocks.len());
        assert!((4..=12).contains(&given_up), "{period_s} s, {declared_us} µs: after {given_up} blocks");
        assert!(blocks[given_up - 4..given_up].iter().all(|b| b.off_grid));
        assert!(blocks[given_up..].iter().all(|b| b.interval_us == 0.0 && b.lower.is_none()));
        for lower in blocks.iter().filter_map(|b| b.lower) {
            assert!(lower.residual_us <= link.truth_us(lower.at_s) + ROUNDING_US);
        }
        assert!(blocks.iter().all(|b| b.upper.residual_us >= link.truth_us(b.upper.at_s) - ROUNDING_US));
    }
}

#[test]
fn arrivals_on_the_grid_never_refute_it() {
    for jitter_us in [0.0, 300.0, 1_000.0] {
        for seed in 1..=5 {
            let link = Link { again: 0.1, jitter_us, ..Link::default() };
            let (blocks, collector) = blocks(&link, seed, Some(15_000.0));
            assert!(!collector.given_refuted());
            assert_eq!(blocks.iter().filter(|b| b.off_grid || b.rephased).count(), 0, "{jitter_us} {seed}");
        }
    }
}

#[test]
fn packets_that_are_lost_do_not_make_an_interval_longer_that_all_packets_keep_to_a_multiple_of() {
    // Sent each 4 intervals, all packets wait alike; some never come, as where an app drops them.
    let link = Link { packets: 4_000, period_s: 0.065, interval_us: 16_250.0, ..Link::default() };
    for (seed, lost) in [(1, 0.01), (2, 0.03), (3, 0.1), (4, 0.3)] {
        let mut random = tickseam_tests::Random::seeded(seed + 100);
        let line = WorkingLine { origin_s: 0.0, offset_us: SOONEST_US, rate_ppm: link.rate_ppm };
        let declared = Some(Interval::declared(link.interval_us));
        let mut collector = Blocks::new(line, &exact(&link), declared);
        for arrival in link.arrivals(seed).into_iter().filter(|_| random.uniform() >= lost) {
            let _ = collector.close_before(&arrival);
            collector.observe(arrival);
        }
        let kept_us = collector.interval().map(|interval| interval.period_us);
        assert_eq!(kept_us, Some(link.interval_us), "{lost} of the packets lost");
    }
}

#[test]
fn a_new_phase_of_the_grid_is_noticed_and_bounds_stay_true() {
    for shift_us in [-5_000.0, -2_500.0, 2_500.0, 5_000.0, 7_000.0] {
        for jitter_us in [0.0, 200.0] {
            let link = Link { jitter_us, rephase: Some((3_000, shift_us)), ..Link::default() };
            let (blocks, collector) = blocks(&link, 8, Some(15_000.0));
            let at_s = 3_000.0 * link.period_s;
            let what = format!("{shift_us} µs, jitter {jitter_us}");
            let noticed: Vec<f64> = blocks.iter().filter(|b| b.rephased).map(|b| b.to_s).collect();
            assert_eq!(noticed.len(), 1, "{what}: {noticed:?}");
            // The block that it falls into may still hold both; the next one closes 2 s later.
            assert!(noticed[0] >= at_s && noticed[0] < at_s + 5.0, "{what}: {noticed:?}");
            assert!(!collector.given_refuted());
            for block in &blocks {
                assert!(
                    block.upper.residual_us >= link.truth_us(block.upper.at_s) - ROUNDING_US,
                    "{what}: {block:?}"
                );
                if let Some(lower) = block.lower {
                    assert!(
                        lower.residual_us <= link.truth_us(lower.at_s) + ROUNDING_US,
                        "{what}: {block:?}"
                    );
                }
            }
            // And the bounds from below come back.
            assert!(blocks.iter().rev().skip(1).take(10).all(|b| b.lower.is_some()), "{what}");
        }
    }
}

#[test]
fn a_grid_that_was_not_declared_is_found_and_bounds_from_below() {
    let link = Link { again: 0.05, jitter_us: 200.0, ..Link::default() };
    let (blocks, collector) = blocks(&link, 9, None);
    assert!(collector.found_a_grid() && !collector.given_refuted());
    assert_eq!(collector.interval().map(|i| i.period_us), Some(15_000.0));
    let half = &blocks[blocks.len() / 2..blocks.len() - 1];
    assert!(
        half.iter().all(|b| b.lower.is_some_and(|l| l.residual_us <= link.truth_us(l.at_s) + ROUNDING_US))
    );
}

#[test]
fn the_neighbour_of_the_interval_is_not_taken_for_it_though_packets_are_sent_again_at_once() {
    for (period_s, interval_us) in
        [(0.013, 32_500.0), (0.025, 48_750.0), (0.020, 90_000.0), (0.030, 62_500.0)]
    {
        let link = Link { packets: 20_000, period_s, interval_us, jitter_us: 150.0, ..Link::default() };
        for seed in 1..=4 {
            let mut random = tickseam_tests::Random::seeded(seed + 50);
            let line = WorkingLine { origin_s: 0.0, offset_us: SOONEST_US, rate_ppm: link.rate_ppm };
            let mut arrivals = link.arrivals(seed);
            // Sent again within the event: this packet comes late by two of its exchanges, the ones behind it as well.
            let (mut last_us, mut late_us) = (f64::NEG_INFINITY, 0.0);
            for arrival in &mut arrivals {
                let host_us = arrival.device_s * 1e6 + arrival.residual_us;
                if host_us - last_us > 5_000.0 {
                    late_us = 0.0;
                }
                last_us = host_us;
                while random.uniform() < 0.12 {
                    late_us += 2_700.0;
                }
                arrival.residual_us += late_us;
            }
            for declared_us in [None, Some(interval_us - 1_250.0), Some(interval_us + 1_250.0)] {
                let mut collector = Blocks::new(line, &exact(&link), declared_us.map(Interval::declared));
                for arrival in &arrivals {
                    let _ = collector.close_before(arrival);
                    collector.observe(*arrival);
                }
                let what = format!("{interval_us} µs, declared {declared_us:?}, seed {seed}");
                assert_eq!(collector.interval().map(|i| i.period_us), Some(interval_us), "{what}");
                assert_eq!(collector.given_refuted(), declared_us.is_some(), "{what}");
            }
        }
    }
}

#[test]
fn packets_of_all_streams_stamped_one_after_the_other_are_one_delivery() {
    use tickseam::block::Deliveries;

    let mut deliveries = Deliveries::default();
    let behind: Vec<f64> = [0, 700, 1_500, 30_000, 32_500, 35_000, 37_500, 40_000, 42_500, 20_000]
        .into_iter()
        .map(|us: i64| deliveries.observe(us * 1_000))
        .collect();
    // The chain that begins at 30 ms is cut where it has become longer than an event; a stamp that runs back begins anew.
    assert_eq!(behind, [0.0, 700.0, 1_500.0, 0.0, 2_500.0, 5_000.0, 7_500.0, 10_000.0, 0.0, 0.0]);
}
