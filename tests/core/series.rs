//! What stands between a packet and its stamp besides the radio's grid: an app that asks for packets at times of its own, packets that are on the air for
//! milliseconds, and a host's clock that is set by less than packets may wait. None of them shows in the arrivals as what it is.
//!
//! All numbers are drawn or chosen here; what is checked is that intervals hold the clock that the arrivals were made from.

use tickseam::block::Arrival;
use tickseam::live::Live;
use tickseam::placement::{Knot, Shift};
use tickseam::replay::known_at;
use tickseam::setup::Setup;
use tickseam_tests::Random;

use crate::arrivals::{Link, SOONEST_US};
use crate::replays::replayed;

/// Share of the packets' instants that the interval holds, replayed and live, and the mean half-width replayed, ms.
pub(crate) fn held(arrivals: &[Arrival], setup: &Setup, truth_us: impl Fn(f64) -> f64) -> (f64, f64, f64) {
    let (report, stages) = replayed(arrivals, &[], setup);
    let mut live = Live::new(*setup);
    let (mut replayed, mut online, mut sum_us) = (0_u32, 0_u32, 0.0);
    for arrival in arrivals {
        live.observe(*arrival);
        let at_s = arrival.device_s;
        let holds = |knot: &Knot| u32::from((knot.offset_us - truth_us(at_s)).abs() <= knot.half_width_us());
        let (knot, _) = known_at(&stages, at_s, report.curvature_ppm_per_s).expect("there are knots");
        (replayed, sum_us) = (replayed + holds(&knot), sum_us + knot.half_width_us());
        online += live.known_at(at_s).map_or(0, |(knot, _)| holds(&knot));
    }
    let n = arrivals.len() as f64;
    (f64::from(replayed) / n, f64::from(online) / n, sum_us / n * 1e-3)
}

/// Of ten seeds: the least shares of [`held`], replayed and live, and the mean of the half-widths, ms.
fn least_held(mut of_seed: impl FnMut(u64) -> (f64, f64, f64)) -> (f64, f64, f64) {
    (1..=10).fold((1.0, 1.0, 0.0), |(least, least_live, mean_ms), seed| {
        let (replayed, live, half_ms) = of_seed(seed);
        (replayed.min(least), live.min(least_live), mean_ms + half_ms / 10.0)
    })
}

pub(crate) fn setup(period_s: f64) -> Setup {
    Setup { fixed_delay: Some(Shift { us: SOONEST_US, u_us: 0.0 }), ..Setup::new(50.0, period_s) }
}

#[test]
fn an_app_that_looks_for_packets_as_it_draws_hides_the_radios_grid() {
    // Periods of packets and radio, and of the app, ms: an app that draws 60 or 30 times a second, a timer of 1/64 s, polls of 8 ms.
    for (packet_ms, interval_ms, poll_ms, declared) in [
        (23.437_5, 15.0, 1e3 / 60.0, false),
        (36.0, 11.25, 1e3 / 60.0, true),
        (36.0, 11.25, 1e3 / 60.0, false),
        (24.0, 11.25, 15.625, false),
        (36.0, 15.0, 15.625, false),
        (40.0, 30.0, 1e3 / 30.0, true),
        (20.0, 15.0, 8.0, false),
    ] {
        let (least, least_live, mean_ms) = least_held(|seed| {
            let mut random = Random::seeded(1_000 + seed);
            let link = Link {
                packets: (900e3 / packet_ms) as u32,
                period_s: packet_ms * 1e-3,
                interval_us: interval_ms * 1e3,
                stretch_ppm: 10.0 * random.uniform() - 5.0,
                rate_ppm: 40.0 * random.uniform() - 20.0,
                again: 0.01,
                jitter_us: 50.0,
                ..Link::default()
            };
            let poll_us = poll_ms * 1e3;
            let phase_us = poll_us * random.uniform();
            let polled = |arrival: Arrival| {
                let asked_us = ((arrival.host_us() - phase_us) / poll_us).ceil() * poll_us + phase_us;
                Arrival::new(arrival.device_s, asked_us - arrival.device_s * 1e6)
            };
            let arrivals: Vec<Arrival> = link.arrivals(seed).into_iter().map(polled).collect();
            let setup = Setup { interval_us: declared.then_some(link.interval_us), ..setup(link.period_s) };
            held(&arrivals, &setup, |at_s| link.truth_us(at_s))
        });
        println!(
            "{packet_ms} ms over {interval_ms} ms, {poll_ms:.2} ms: {least} {least_live}, ±{mean_ms:.1} ms"
        );
        assert!(
            least > 0.95 && least_live > 0.95,
            "{packet_ms} {interval_ms} {poll_ms}: {least} {least_live}"
        );
    }
}

#[test]
fn a_packet_that_came_second_at_its_instant_may_have_been_ready_as_much_sooner() {
    // Packets of two fragments: those that wait least come second, by more than one delivery takes. Some stamps are late, and hide the rest.
    for (air_us, tail) in [(4_290.0, 0.005), (4_290.0, 0.0), (4_700.0, 0.02), (3_500.0, 0.005)] {
        let (least, least_live, mean_ms) = least_held(|seed| {
            let mut random = Random::seeded(2_000 + seed);
            let link = Link {
                packets: 38_400,
                period_s: 0.023_437_5,
                interval_us: 30_000.0,
                stretch_ppm: 40.0 * random.uniform() - 20.0,
                rate_ppm: 40.0 * random.uniform() - 20.0,
                jitter_us: 50.0,
                air_us,
                ..Link::default()
            };
            let mut last_us = 0.0;
            let stamped = |arrival: Arrival| {
                let late_us = if random.uniform() < tail { -10_000.0 * random.uniform().ln() } else { 0.0 };
                last_us = (arrival.host_us() + late_us).max(last_us);
                Arrival::new(arrival.device_s, last_us - arrival.device_s * 1e6)
            };
            let arrivals: Vec<Arrival> = link.arrivals(seed).into_iter().map(stamped).collect();
            held(&arrivals, &setup(link.period_s), |at_s| link.truth_us(at_s))
        });
        println!("{air_us} µs, {tail}: {least} {least_live}, ±{mean_ms:.1} ms");
        assert!(least > 0.95 && least_live > 0.95, "{air_us} {tail}: {least} {least_live}");
    }
}

#[test]
fn a_clock_that_is_set_by_less_than_packets_may_wait_is_allowed_for_where_the_grid_goes_on() {
    for step_us in [9_000.0, -9_000.0, 4_000.0, -4_000.0] {
        let (least, _, mean_ms) = least_held(|seed| {
            let mut random = Random::seeded(3_000 + seed);
            let link = Link {
                packets: 30_000,
                period_s: 0.032,
                interval_us: 30_000.0,
                stretch_ppm: 10.0 * random.uniform() - 5.0,
                rate_ppm: 40.0 * random.uniform() - 20.0,
                again: 0.01,
                jitter_us: 200.0,
                ..Link::default()
            };
            let at_s = 300.0 + 300.0 * random.uniform();
            let set_us = |device_s: f64| if device_s > at_s { step_us } else { 0.0 };
            let stamped = |a: Arrival| Arrival::new(a.device_s, a.residual_us + set_us(a.device_s));
            let arrivals: Vec<Arrival> = link.arrivals(seed).into_iter().map(stamped).collect();
            held(&arrivals, &setup(link.period_s), |device_s| link.truth_us(device_s) + set_us(device_s))
        });
        println!("{step_us} µs: {least}, ±{mean_ms:.1} ms");
        assert!(least > 0.95, "{step_us}: {least}");
    }
}

#[test]
fn a_packet_that_is_held_up_until_the_next_instant_does_not_make_that_one_earlier() {
    // Several packets an event, in order; one of fifty is held up by the host for some milliseconds, and those behind it too.
    for (packet_ms, interval_ms, air_us) in [(12.0, 23.75, 1_770.0), (16.0, 17.5, 1_860.0)] {
        let mut greatest_ms = 0.0_f64;
        for seed in 1..=6 {
            let mut sum_us = 0.0;
            let mut random = Random::seeded(3_000 + seed);
            let link = Link {
                packets: (1_800e3 / packet_ms) as u32,
                period_s: packet_ms * 1e-3,
                interval_us: interval_ms * 1e3,
                stretch_ppm: 40.0 * random.uniform() - 20.0,
                rate_ppm: 40.0 * random.uniform() - 20.0,
                jitter_us: 50.0,
                air_us,
                ..Link::default()
            };
            let mut last_us = 0.0_f64;
            let stamped = |arrival: Arrival| {
                let held_up_us = if random.uniform() < 0.02 { -8_000.0 * random.uniform().ln() } else { 0.0 };
                last_us = last_us.max(arrival.host_us() + held_up_us);
                Arrival::new(arrival.device_s, last_us - arrival.device_s * 1e6)
            };
            let arrivals: Vec<Arrival> = link.arrivals(seed).into_iter().map(stamped).collect();
            let (report, stages) = replayed(&arrivals, &[], &setup(link.period_s));
            for arrival in &arrivals {
                let (knot, _) =
                    known_at(&stages, arrival.device_s, report.curvature_ppm_per_s).expect("there are knots");
                let error_us = knot.offset_us - link.truth_us(arrival.device_s);
                assert!(error_us.abs() < knot.half_width_us(), "{seed}: {error_us}");
                sum_us += error_us.abs();
            }
            greatest_ms = greatest_ms.max(sum_us / arrivals.len() as f64 / 1e3);
        }
        println!("{packet_ms} ms over {interval_ms} ms: {greatest_ms} ms");
        assert!(greatest_ms < 0.3, "{packet_ms} over {interval_ms}: {greatest_ms}");
    }
}
