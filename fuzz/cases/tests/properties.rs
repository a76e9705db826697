//! What a change of the input that means nothing may do to the answers: nothing, or as little as is stated.

use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use tickseam::batch::{Asked, Lent, Place, Received, replay_packets, stages_for};
use tickseam::block::{Arrival, Bound};
use tickseam::filter::{CURVATURES, Feasible, Prior};
use tickseam::frame::Frame;
use tickseam::gaps::Gap;
use tickseam::intake::{PacketStamp, StreamConfig};
use tickseam::map::ClockMap;
use tickseam::placement::{Knot, Shift};
use tickseam::replay::Stage;
use tickseam::session::{Placed, Session, SessionConfig, TickCounter};
use tickseam_fuzz_cases::checks::round_trip_s;

/// So many cases, the same ones in each run; `PROPTEST_CASES` gives more.
fn fixed(cases: u32) -> ProptestConfig {
    let given = std::env::var("PROPTEST_CASES").ok().and_then(|cases| cases.parse().ok());
    ProptestConfig {
        cases: given.unwrap_or(cases),
        rng_seed: RngSeed::Fixed(1),
        failure_persistence: None,
        ..ProptestConfig::default()
    }
}

const STREAM: StreamConfig = StreamConfig { rate_hz: 250.0, samples_per_packet: 5, sequence_bits: 16 };
const PERIOD_NS: i64 = 20_000_000;
const CONFIG: SessionConfig<'static> = SessionConfig {
    ticks: Some(TickCounter { hz: 1e6, bits: 32 }),
    tolerance_ppm: 50.0,
    host_step_us: 0.001,
    fixed_delay: Some(Shift { us: 22_600.0, u_us: 200.0 }),
    interval_us: None,
    streams: &[STREAM],
};

/// A link as a phone sees it: 50 packets a second that wait for an instant of a grid, and for chance.
#[derive(Clone, Copy, Debug)]
struct Link {
    packets: i64,
    interval_ns: i64,
    scatter_ns: i64,
    rate_ppm: f64,
    /// One packet of so many is lost.
    lost: i64,
    seed: i64,
}

fn any_link() -> impl Strategy<Value = Link> {
    (
        200..1_500_i64,
        prop_oneof![Just(1_i64), Just(15_000_000), Just(7_500_000), Just(48_750_000)],
        prop_oneof![Just(1_i64), Just(300_000), Just(8_000_000)],
        -60.0..60.0_f64,
        prop_oneof![Just(i64::MAX), 10..60_i64],
        any::<u32>(),
    )
        .prop_map(|(packets, interval_ns, scatter_ns, rate_ppm, lost, seed)| Link {
            packets,
            interval_ns,
            scatter_ns,
            rate_ppm,
            lost,
            seed: i64::from(seed),
        })
}

impl Link {
    /// Its packets, stamped by a counter of so many ticks in a µs.
    fn received(&self, ticks_per_us: u64) -> Vec<PacketStamp> {
        let mut random = self.seed;
        let mut stamps = Vec::new();
        for number in 0..self.packets {
            random = random.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            if number % self.lost == self.lost - 1 {
                continue;
            }
            let made_ns =
                number * PERIOD_NS + (number as f64 * PERIOD_NS as f64 * self.rate_ppm * 1e-6) as i64;
            let ready_ns = made_ns + 22_600_000 + (random >> 33).rem_euclid(self.scatter_ns);
            let host_ns = (ready_ns / self.interval_ns + 1) * self.interval_ns;
            stamps.push(PacketStamp {
                host_ns,
                sequence: (number % 65_536).cast_unsigned(),
                tick: Some((number * 20_000).cast_unsigned() * ticks_per_us),
                samples: 5,
            });
        }
        stamps
    }
}

struct Recorded<'a>(&'a [PacketStamp]);

impl Received for Recorded<'_> {
    fn count(&self) -> usize {
        self.0.len()
    }

    fn packet(&self, place: usize) -> Option<(usize, PacketStamp)> {
        self.0.get(place).map(|stamp| (0, *stamp))
    }
}

/// Events all over a recording, replayed.
fn replayed(config: &SessionConfig<'_>, stamps: &[PacketStamp], events_ns: &[i64]) -> Vec<Placed> {
    let mut events: Vec<Asked> = events_ns.iter().map(|at| Asked::new(*at, Shift::default())).collect();
    let mut places = vec![Place::default(); stamps.len()];
    let mut arrivals = vec![Arrival::new(0.0, 0.0); stamps.len()];
    let mut stages = vec![Stage::empty(); stages_for(1, stamps.len(), 0, 60.0)];
    let lent = Lent { places: &mut places, arrivals: &mut arrivals, pairs: &mut [], stages: &mut stages };
    replay_packets::<1>(config, &Recorded(stamps), &mut events, lent).unwrap();
    events.into_iter().map(|event| event.answer.unwrap().0).collect()
}

/// The same of a live session, after all packets.
fn lived(config: &SessionConfig<'_>, stamps: &[PacketStamp], events_ns: &[i64]) -> Vec<Placed> {
    let mut session = Session::<1>::new(config).unwrap();
    for stamp in stamps {
        let _ = session.observe_packet(0, *stamp);
    }
    events_ns.iter().map(|at| session.place(*at, Shift::default()).unwrap()).collect()
}

fn events_ns(link: &Link) -> Vec<i64> {
    (1..20).map(|twentieth| link.packets * PERIOD_NS / 20 * twentieth).collect()
}

/// All bits of placements.
fn bits(placed: &[Placed]) -> Vec<String> {
    placed.iter().map(|placed| format!("{placed:?}")).collect()
}

proptest! {
    #![proptest_config(fixed(24))]

    #[test]
    fn shifting_the_origins_of_both_clocks_shifts_nothing_else(
        link in any_link(),
        host_ns in -1_000_000_000_000_000_000..1_000_000_000_000_000_000_i64,
        tick in any::<u32>(),
        sequence in any::<u16>(),
    ) {
        let stamps = link.received(1);
        let shifted: Vec<_> = stamps
            .iter()
            .map(|stamp| PacketStamp {
                host_ns: stamp.host_ns + host_ns,
                sequence: (stamp.sequence + u64::from(sequence)) & 0xFFFF,
                tick: stamp.tick.map(|raw| (raw + u64::from(tick)) & 0xFFFF_FFFF),
                ..*stamp
            })
            .collect();
        let events = events_ns(&link);
        let later: Vec<_> = events.iter().map(|at| at + host_ns).collect();
        prop_assert_eq!(bits(&replayed(&CONFIG, &stamps, &events)), bits(&replayed(&CONFIG, &shifted, &later)));
        prop_assert_eq!(bits(&lived(&CONFIG, &stamps, &events)), bits(&lived(&CONFIG, &shifted, &later)));
    }

    #[test]
    fn finer_ticks_that_count_the_same_instants_move_placements_by_their_rounding_only(
        link in any_link(),
        times in 2..64_u64,
    ) {
        let (coarse, fine) = (link.received(1), link.received(times));
        let hz = 1e6 * times as f64;
        let config = SessionConfig { ticks: Some(TickCounter { hz, bits: 48 }), ..CONFIG };
        let events = events_ns(&link);
        for (coarse, fine) in [
            (replayed(&CONFIG, &coarse, &events), replayed(&config, &fine, &events)),
            (lived(&CONFIG, &coarse, &events), lived(&config, &fine, &events)),
        ] {
            for (coarse, fine) in coarse.iter().zip(&fine) {
                // A tick is taken for the middle of what it is rounded down from, and bounds by a whole one: of 1 µs there, of less here.
                let off_us = (coarse.placement.device_s - fine.placement.device_s).abs() * 1e6;
                let wider_us = (coarse.placement.u95_us - fine.placement.u95_us).abs();
                prop_assert!(off_us < 2.0 && wider_us < 4.0, "{times} times: {off_us} µs, wider by {wider_us} µs");
            }
        }
    }

    #[test]
    fn packets_that_are_up_to_48_places_late_are_not_missing(
        link in any_link(),
        keys in prop::collection::vec(0..50_usize, 1_500),
    ) {
        let stamps = link.received(1);
        let others = out_of_order(&stamps, &keys);
        prop_assert_eq!(missing(&stamps), missing(&others));
    }

    #[test]
    fn asking_and_being_copied_changes_nothing(link in any_link(), at in 0..1_500_usize) {
        let stamps = link.received(1);
        let events = events_ns(&link);
        let mut session = Session::<1>::new(&CONFIG).unwrap();
        for (place, stamp) in stamps.iter().enumerate() {
            if place % 7 == 0 || place == at {
                let _ = (session.map(), session.place(stamp.host_ns, Shift::default()), session.host_at(1e3));
            }
            if place == at {
                let copy = session.clone();
                session = copy;
            }
            let _ = session.observe_packet(0, *stamp);
        }
        let asked: Vec<_> = events.iter().map(|at| session.place(*at, Shift::default()).unwrap()).collect();
        prop_assert_eq!(bits(&asked), bits(&lived(&CONFIG, &stamps, &events)));
    }
}

/// Packets missing at the end, and the newest runs in which they are: so many as are listed whatever the order.
fn missing(stamps: &[PacketStamp]) -> (Option<u64>, Vec<Gap>) {
    let mut session = Session::<1>::new(&CONFIG).unwrap();
    for stamp in stamps {
        let _ = session.observe_packet(0, *stamp);
    }
    let (mut listed, mut from) = (Vec::new(), i64::MIN);
    while let Some(gap) = session.next_gap(0, from) {
        from = gap.last_index() + 1;
        listed.push(gap);
    }
    (session.missing_packets(0), listed.split_off(listed.len().saturating_sub(16)))
}

/// The rows in another order, each with its own stamp: up to as many places late as the largest key, less one.
fn out_of_order(stamps: &[PacketStamp], keys: &[usize]) -> Vec<PacketStamp> {
    let mut order: Vec<(usize, usize)> =
        (0..stamps.len()).map(|place| (place + keys[place], place)).collect();
    order.sort_unstable();
    order.into_iter().map(|(_, place)| stamps[place]).collect()
}

fn any_map() -> impl Strategy<Value = ClockMap> {
    (
        (
            any::<i32>(),
            prop_oneof![Just(32_768.0), Just(1e6), Just(1e9)],
            -1_000_000_000_000_000..1_000_000_000_000_000_i64,
        ),
        (-1e5..1e5_f64, -1e7..1e7_f64, prop_oneof![-100.0..100.0_f64, -10_000.0..10_000.0_f64]),
        (0.0..500.0_f64, 0.0..1.0_f64, 0.0..2_000.0_f64, 0.0..2.0_f64, 0.0..0.05_f64),
    )
        .prop_map(|((origin, counts_per_s, host_origin_ns), (at_s, offset_us, rate_ppm), u)| ClockMap {
            frame: Frame { device_origin: i64::from(origin), counts_per_s, host_origin_ns },
            at_s,
            offset_us,
            rate_ppm,
            u_offset_us: u.0,
            u_rate_ppm: u.1,
            covariance: 0.0,
            half_width_us: u.2,
            growth_ppm: u.3,
            curvature_ppm_per_s: u.4,
            valid_from_s: at_s - 100.0,
            valid_to_s: at_s + 100.0,
        })
}

/// A map whose device is the host of `before`, in nanoseconds.
fn after(before: &ClockMap, map: &ClockMap) -> ClockMap {
    let frame = Frame { device_origin: before.frame.host_origin_ns + 12_345, counts_per_s: 1e9, ..map.frame };
    ClockMap { frame, ..*map }
}

proptest! {
    #![proptest_config(fixed(500))]

    #[test]
    fn there_and_back_is_the_same_instant(map in any_map(), device_s in -1e6..1e6_f64) {
        let there = map.host_at_s(device_s);
        let host_s = map.frame.host_us(there.host_ns) * 1e-6;
        let bound_s = round_trip_s(device_s, host_s);
        let back = map.device_at(there.host_ns).device_s;
        prop_assert!((back - device_s).abs() <= bound_s, "{device_s} s comes back as {back} s, not within {bound_s}");
        let twice = map.inverted().inverted();
        let again = twice.frame.host_us(twice.host_at_s(0.0).host_ns) * 1e-6;
        prop_assert!(again.is_finite());
        let turned_s = map.inverted().host_at(there.host_ns).host_ns as f64 * 1e-9;
        prop_assert!((turned_s - device_s).abs() <= bound_s + 2e-9, "{device_s} s, turned round {turned_s} s");
    }

    #[test]
    fn chains_of_three_maps_do_not_depend_on_where_one_begins(
        maps in [any_map(), any_map(), any_map()],
        device_s in -1e6..1e6_f64,
    ) {
        let [first, second, third] = maps;
        let second = after(&first, &second);
        let third = after(&second, &third);
        let left = first.chain(&second).chain(&third);
        let right = first.chain(&second.chain(&third));
        let (a, b) = (left.host_at_s(device_s), right.host_at_s(device_s));
        // Either way a middle instant is rounded to the nanosecond twice, and binary seconds of this size have steps of a tenth of one.
        let apart_ns = (a.host_ns - b.host_ns).abs();
        prop_assert!(apart_ns <= 4, "{apart_ns} ns apart");
        // Taken from the far end, what is between two centres is counted on either side of the middle one, and never less.
        let stretch = 3.0 * (first.rate_ppm.abs() + second.rate_ppm.abs() + third.rate_ppm.abs()) * 1e-6 + 1e-9;
        prop_assert!(b.u95_us >= a.u95_us * (1.0 - stretch), "{} and {} µs", a.u95_us, b.u95_us);
    }

    #[test]
    fn carried_in_two_steps_bounds_are_those_of_one(
        (low_us, width_us, rate_ppm) in (-1e4..1e4_f64, 0.0..1e4_f64, -50.0..50.0_f64),
        (first_s, second_s) in (0.0..5e3_f64, 0.0..5e3_f64),
        curvature in 0.0..0.05_f64,
        backwards in any::<bool>(),
    ) {
        let sign = if backwards { -1.0 } else { 1.0 };
        let knot = Knot {
            offset_us: low_us + width_us / 2.0,
            low_us,
            high_us: low_us + width_us,
            rate_ppm,
            rate_low_ppm: rate_ppm - 2.0,
            rate_high_ppm: rate_ppm + 3.0,
            u_offset_us: width_us / 4.0,
            ..Knot::default()
        };
        let one = knot.carried(sign * (first_s + second_s), curvature);
        let two = knot.carried(sign * first_s, curvature).carried(sign * (first_s + second_s), curvature);
        for (one, two) in [
            (one.low_us, two.low_us),
            (one.high_us, two.high_us),
            (one.offset_us, two.offset_us),
            (one.rate_low_ppm, two.rate_low_ppm),
            (one.rate_high_ppm, two.rate_high_ppm),
        ] {
            prop_assert!((one - two).abs() <= 1e-6 + 1e-12 * (one.abs() + 1e7), "{one} in one step, {two} in two");
        }
    }

    /// Wander over a step is bounded from outside: to the end of the step it takes 3/4 κT² where 1/2 κT² can happen, and in two steps of a and
    /// b seconds 1/2 κab less.
    #[test]
    fn one_long_step_holds_what_two_short_ones_hold_and_no_more_than_is_counted_twice(
        (first_s, second_s) in (8.0..40.0_f64, 8.0..40.0_f64),
        model in 0..CURVATURES.len(),
    ) {
        let prior = Prior { rate_ppm: 0.0, rate_half_width_ppm: 1e6, depth_us: 2_000.0 };
        let curvature = CURVATURES[model];
        let begun = Feasible::new(&prior, curvature, Bound { at_s: 0.0, residual_us: 0.0 });
        let (mut one, mut two) = (begun.clone(), begun);
        one.advance(first_s + second_s, &prior);
        two.advance(first_s, &prior);
        two.advance(first_s + second_s, &prior);
        let ((low, high), (less_low, less_high)) = (one.region().offset_range(), two.region().offset_range());
        let twice_us = curvature * first_s * second_s / 2.0;
        let room_us = 1e-9 * (high - low);
        prop_assert!(low <= less_low + room_us && less_high <= high + room_us, "{low} to {high}, {less_low} to {less_high}");
        let wider_us = ((less_low - low) - twice_us).abs().max(((high - less_high) - twice_us).abs());
        prop_assert!(wider_us <= room_us, "one step is wider by {} µs, not {twice_us}", high - less_high);
    }
}

/// Scaled by a power of two, ticks and their rate make the same binary numbers; by any other factor they still do, since each quotient is
/// rounded once.
#[test]
fn a_frame_of_finer_ticks_has_the_same_times_to_the_bit() {
    for times in [2_i64, 3, 10, 1_000, 4_096] {
        let coarse = Frame { device_origin: 77, counts_per_s: 32_768.0, host_origin_ns: 5 };
        let fine = Frame { device_origin: 77 * times, counts_per_s: 32_768.0 * times as f64, ..coarse };
        for count in (0..2_000_000_i64).step_by(7_919) {
            let (a, b) = (coarse.device_s(count), fine.device_s(count * times));
            assert_eq!(a.to_bits(), b.to_bits(), "{times} times {count}");
        }
    }
}

/// Sessions of 20 s over every kind of link, their rows in order and up to so many places late.
fn shuffled(places: usize) -> Vec<(Vec<PacketStamp>, Vec<PacketStamp>, Vec<i64>)> {
    (0..12_i64)
        .map(|seed| {
            let interval_ns = [1, 15_000_000, 7_500_000, 48_750_000][seed as usize % 4];
            let link = Link {
                packets: 1_000,
                interval_ns,
                scatter_ns: 300_000,
                rate_ppm: 20.0,
                lost: i64::MAX,
                seed,
            };
            let mut random = seed.cast_unsigned();
            let keys: Vec<usize> = (0..1_000)
                .map(|_| {
                    random = random
                        .wrapping_mul(6_364_136_223_846_793_005)
                        .wrapping_add(1_442_695_040_888_963_407);
                    (random >> 33) as usize % (places + 2)
                })
                .collect();
            let mut stamps = link.received(1);
            // Packets of one stamp would keep the order that they have.
            for at in 1..stamps.len() {
                stamps[at].host_ns = stamps[at].host_ns.max(stamps[at - 1].host_ns + 600_000);
            }
            let others = out_of_order(&stamps, &keys);
            (stamps, others, events_ns(&link))
        })
        .collect()
}

#[test]
fn rows_in_any_order_within_the_window_give_the_same_bits() {
    for (stamps, others, events) in [1, 3, 10, 40, 60].into_iter().flat_map(shuffled) {
        assert_ne!(stamps, others);
        assert_eq!(bits(&replayed(&CONFIG, &stamps, &events)), bits(&replayed(&CONFIG, &others, &events)));
    }
}

/// The reorder window is of 62 packets. Four packets in a row that came late, each ahead of the last, were once taken for a restart.
#[test]
fn packets_up_to_forty_places_late_are_no_restart() {
    for (stamps, others, _) in [4, 10, 40].into_iter().flat_map(shuffled) {
        assert_eq!(missing(&stamps), missing(&others));
    }
}

/// Three rounds of the way back left the fourth power of the rate once: 87 µs at 3 %.
#[test]
fn an_hour_into_a_map_there_and_back_are_one_instant_at_every_rate_that_is_taken() {
    let frame = Frame { device_origin: 0, counts_per_s: 32_768.0, host_origin_ns: 0 };
    let off_s = |rate_ppm: f64| {
        let map = ClockMap {
            frame,
            at_s: 0.0,
            offset_us: 0.0,
            rate_ppm,
            u_offset_us: 0.0,
            u_rate_ppm: 0.0,
            covariance: 0.0,
            half_width_us: 0.0,
            growth_ppm: 0.0,
            curvature_ppm_per_s: 0.0,
            valid_from_s: 0.0,
            valid_to_s: 3_600.0,
        };
        (map.device_at(map.host_at_s(3_600.0).host_ns).device_s - 3_600.0).abs()
    };
    for rate_ppm in [50.0, -30_000.0, 30_000.0, -900_000.0, 900_000.0] {
        assert!(off_s(rate_ppm) < 2e-9, "{rate_ppm} ppm: {} s", off_s(rate_ppm));
    }
}
