#![expect(clippy::arithmetic_side_effects, clippy::cast_precision_loss, reason = "small numbers")]
use super::*;

/// `n` packets sent each `period_s`, each late by what `late_us` says, in deliveries of their own.
fn watched(period_s: f64, n: u32, late_us: impl Fn(u32) -> f32) -> Unseen {
    let mut unseen = Unseen::new(period_s);
    for block in 0..n / 50 {
        let from_s = f64::from(block * 50) * period_s;
        let waits = (block * 50..block * 50 + 50).map(&late_us);
        unseen.observe((from_s, from_s + 49.0 * period_s), 50, waits);
    }
    unseen
}

fn interval_ms(unseen: &Unseen) -> f64 {
    unseen.interval_us(true) / 1e3
}

#[test]
fn packets_that_all_wait_alike_may_be_locked_to_the_longest_interval_that_divides_their_period() {
    for (period_s, longest_ms) in [(0.040, 40.0), (0.250, 62.5), (0.012, 4.0), (0.0075, 7.5), (0.017, 0.0)] {
        // However many they are: a link that tries again at once never misses a turn.
        let unseen = watched(period_s, 40_000, |n| f32::from(u8::from(n % 7 == 0)) * 300.0);
        assert!((interval_ms(&unseen) - longest_ms).abs() < 1e-3, "{period_s}: {}", interval_ms(&unseen));
        assert_eq!(unseen.hinted_us(), None);
    }
}

#[test]
fn packets_may_be_locked_to_a_poll_that_divides_their_period_until_two_crystals_cannot_be_so_much_alike() {
    // Full-speed frames of 1 ms, and the powers of two of them that hosts poll in: 24 ms are three polls of 8 ms.
    for (period_s, packets, poll_ms) in [
        (0.016, 5_000, 16.0),
        (0.024, 5_000, 8.0),
        (0.012, 5_000, 4.0),
        (0.017, 5_000, 1.0),
        (0.0165, 5_000, 0.0),
    ] {
        let unseen = watched(period_s, packets, |n| f32::from(u8::from(n % 7 == 0)) * 100.0);
        assert!((interval_ms(&unseen) - poll_ms).abs() < 1e-3, "{period_s}: {}", interval_ms(&unseen));
    }
    // 8 ms at 3.5 µs a second are 38 minutes, 95,000 packets.
    assert!((interval_ms(&watched(0.024, 90_000, |_| 0.0)) - 8.0).abs() < 1e-3);
    assert!(interval_ms(&watched(0.024, 100_000, |_| 0.0)).abs() < 1e-3);
}

#[test]
fn packets_late_by_an_interval_show_it() {
    let unseen = watched(0.040, 5_000, |n| if n % 100 == 3 { 20_200.0 } else { 150.0 });
    assert!((interval_ms(&unseen) - 20.0).abs() < 1e-3, "{}", interval_ms(&unseen));
    assert!(unseen.hinted_us().is_some());
}

#[test]
fn a_link_that_loses_and_is_never_late_has_no_interval_but_that_of_polls() {
    // 250 ms are 125 polls of 2 ms, and four intervals of 62.5 ms; 40 ms five polls of 8 ms; of 250.5 ms no poll is a part.
    for (period_s, polled_ms) in [(0.250, 2.0), (0.040, 8.0), (0.2505, 0.0)] {
        let mut unseen = Unseen::new(period_s);
        for block in 0..20 {
            // One packet of fifty is missing in each block.
            let from_s = f64::from(block) * 50.0 * period_s;
            unseen.observe((from_s, from_s + 49.0 * period_s), 49, (0_u8..49).map(f32::from));
        }
        assert!((interval_ms(&unseen) - polled_ms).abs() < 1e-3, "{period_s}: {}", interval_ms(&unseen));
        // A whole recording would show polls by a slip.
        assert_eq!(unseen.interval_us(false), 0.0, "{period_s}");
    }
}

#[test]
fn eleven_lost_packets_are_certainty_and_ten_are_not() {
    // Of 100 packets, 0.25 s apart, all that came were in time.
    let of = |received: u16| {
        let mut unseen = Unseen::new(0.250);
        unseen.observe((10.0, 10.0 + 99.0 * 0.250), received, (0..received).map(|_| 100.0));
        interval_ms(&unseen)
    };
    assert_eq!((of(89), of(90)), (2.0, 62.5));
}

#[test]
fn a_device_that_sends_one_packet_of_two_or_three_may_be_locked_all_the_same() {
    // Each block holds every second of 48 packets, or every third, none of them late: nobody knows that the others were ever sent.
    for (every, packets) in [(2, 24_u16), (3, 16)] {
        let mut unseen = Unseen::new(0.200);
        for block in 0..20 {
            let from_s = f64::from(block) * 48.0 * 0.200;
            unseen.observe((from_s, from_s + 45.0 * 0.200), packets, (0..packets).map(|_| 100.0));
        }
        assert!((interval_ms(&unseen) - 100.0).abs() < 1e-3, "{every}: {}", interval_ms(&unseen));
    }
}

#[test]
fn delays_that_spread_evenly_over_an_interval_speak_against_it() {
    let spread = watched(0.040, 5_000, |n| (n * 7_919 % 80_000) as f32);
    assert_eq!(spread.interval_us(true), 0.0);
}

#[test]
fn packets_that_share_events_may_be_locked_to_their_own_period() {
    // Five packets of 16 ms in each event of 80 ms: no interval divides 16 ms.
    let mut unseen = Unseen::new(0.016);
    for block in 0..20 {
        let from_s = f64::from(block) * 0.8;
        unseen.observe((from_s, from_s + 0.784), 10, (0..50).map(|_| 100.0));
    }
    assert!((unseen.interval_us(true) - 16_000.0).abs() < 1e-2, "{}", unseen.interval_us(true));
}

#[test]
fn packets_that_are_polled_in_slots_at_irregular_times_show_the_slots() {
    // 20 ms are 16 double slots of 1.25 ms; 20.3 ms are no multiple of them, and stamps of whole milliseconds no slots.
    let slots = |n: u32| (n * 7_919 % 24) as f32 * 1_250.0 + (n % 5) as f32 * 30.0;
    let unseen = watched(0.020, 5_000, slots);
    assert!((interval_ms(&unseen) - 1.25).abs() < 1e-3, "{}", interval_ms(&unseen));
    assert!(interval_ms(&watched(0.0203, 5_000, slots)).abs() < 1e-3);
    assert!(interval_ms(&watched(0.020, 5_000, |n| (n * 7_919 % 30) as f32 * 1_000.0)).abs() < 1e-3);
}
