//! Delay variation of RFC 3393 and RFC 5481, interarrival jitter and round trip of RFC 3550.

use serde::Deserialize;
use tickseam::exchange::Exchange;
use tickseam::variation::{
    DelayAboveMinimum, InterarrivalJitter, InterarrivalJitterInteger, PacketDelayVariation,
};
use tickseam_tests::read_toml;

#[derive(Deserialize)]
struct PacketDelay {
    ipdv: Variation,
    rfc3550: Jitter,
    rfc3550_figure2: RoundTrip,
}

#[derive(Deserialize)]
struct Variation {
    send_ms: Vec<i64>,
    delay_ms: Vec<i64>,
    ipdv_ms: Vec<i64>,
    pdv_ms: Vec<i64>,
    peak_to_peak_ipdv_ms: i64,
    skew_ppm: i64,
    ipdv_with_skew_ms: Vec<f64>,
}

#[derive(Deserialize)]
struct Jitter {
    send_ticks: Vec<u32>,
    arrival_ticks: Vec<u32>,
    d_ticks: Vec<i64>,
    jitter_fraction: Vec<[f64; 2]>,
    jitter: Vec<f64>,
    jitter_scaled_integer: Vec<u64>,
    jitter_reported: Vec<u64>,
}

#[derive(Deserialize)]
struct RoundTrip {
    ntp_sec: String,
    ntp_frac: String,
    ntp_s: f64,
    a: String,
    a_s: f64,
    lsr: String,
    lsr_s: f64,
    dlsr: String,
    dlsr_s: f64,
    delay: String,
    delay_s: f64,
}

const NS_PER_MS: i64 = 1_000_000;

/// A constant difference between the clocks, which must not show.
const CLOCK_OFFSET_NS: i64 = -987_654_321_012_345;

fn variations_ns(delays_ns: impl Iterator<Item = i64>) -> (Vec<i64>, Option<i64>) {
    let mut variation = PacketDelayVariation::new();
    let all = delays_ns.filter_map(|delay_ns| variation.observe(delay_ns)).collect();
    (all, variation.peak_to_peak_ns())
}

#[test]
fn rfc_3393_variation_is_the_change_of_delay_and_no_clock_offset_shows_in_it() {
    let series = read_toml::<PacketDelay>("packet_delay.toml").ipdv;
    assert_eq!((series.delay_ms.len(), series.ipdv_ms.len()), (6, 5));
    let expected: Vec<i64> = series.ipdv_ms.iter().map(|ms| ms * NS_PER_MS).collect();
    for offset_ns in [0, CLOCK_OFFSET_NS] {
        let (got, peak_to_peak_ns) =
            variations_ns(series.delay_ms.iter().map(|ms| ms * NS_PER_MS + offset_ns));
        assert_eq!(got, expected);
        assert_eq!(peak_to_peak_ns, Some(series.peak_to_peak_ipdv_ms * NS_PER_MS));
    }
}

#[test]
fn a_receiver_clock_that_runs_fast_adds_its_skew_to_every_rfc_3393_variation() {
    let series = read_toml::<PacketDelay>("packet_delay.toml").ipdv;
    let delays_ns = series
        .send_ms
        .iter()
        .zip(&series.delay_ms)
        .map(|(&send_ms, &delay_ms)| delay_ms * NS_PER_MS + send_ms * series.skew_ppm);
    let (got, _) = variations_ns(delays_ns);
    let expected: Vec<i64> =
        series.ipdv_with_skew_ms.iter().map(|ms| (ms * NS_PER_MS as f64).round() as i64).collect();
    assert_eq!(expected.len(), 5);
    assert_eq!(got, expected);
}

#[test]
fn rfc_5481_variation_is_the_delay_above_the_smallest() {
    let series = read_toml::<PacketDelay>("packet_delay.toml").ipdv;
    assert_eq!(series.pdv_ms.len(), series.delay_ms.len());
    let delays_ns: Vec<i64> = series.delay_ms.iter().map(|ms| ms * NS_PER_MS + CLOCK_OFFSET_NS).collect();
    let mut minimum = DelayAboveMinimum::new();
    for &delay_ns in &delays_ns {
        minimum.observe(delay_ns);
    }
    for (&delay_ns, &pdv_ms) in delays_ns.iter().zip(&series.pdv_ms) {
        assert_eq!(minimum.variation_ns(delay_ns), Some(pdv_ms * NS_PER_MS));
    }
}

#[test]
fn rfc_3550_jitter_follows_the_recursion_exactly_in_fractions_and_in_whole_numbers() {
    let series = read_toml::<PacketDelay>("packet_delay.toml").rfc3550;
    assert_eq!((series.send_ticks.len(), series.arrival_ticks.len(), series.d_ticks.len()), (5, 5, 4));
    assert_eq!((series.jitter.len(), series.jitter_scaled_integer.len()), (4, 4));
    let (mut jitter, mut whole) = (InterarrivalJitter::new(), InterarrivalJitterInteger::new());
    for (packet, (&sent, &arrived)) in series.send_ticks.iter().zip(&series.arrival_ticks).enumerate() {
        let change = jitter.observe(i64::from(sent), i64::from(arrived));
        whole.observe(sent, arrived);
        let Some(row) = packet.checked_sub(1) else {
            assert_eq!((change, jitter.jitter(), whole.scaled()), (None, 0.0, 0));
            continue;
        };
        assert_eq!(change, Some(series.d_ticks[row]));
        assert_eq!(jitter.jitter(), series.jitter[row]);
        let [numerator, denominator] = series.jitter_fraction[row];
        assert_eq!(jitter.jitter(), numerator / denominator);
        assert_eq!(whole.scaled(), series.jitter_scaled_integer[row]);
        assert_eq!(whole.reported(), series.jitter_reported[row]);
    }
}

/// Figure 2 of RFC 3550: the sender of a report asks (its report is stamped LSR), the receiver waits DLSR before it
/// answers, the answer arrives at A. An exchange whose `t3 − t2` is DLSR.
#[test]
fn rfc_3550_figure_2_has_a_round_trip_of_six_and_an_eighth_seconds() {
    let figure = read_toml::<PacketDelay>("packet_delay.toml").rfc3550_figure2;
    let bits = |hexadecimal: &str| i64::from_str_radix(hexadecimal.strip_prefix("0x").unwrap(), 16).unwrap();
    // Units of 1/65536 s; these multiples of 1/8 s are whole ns.
    let ns = |hexadecimal: &str| bits(hexadecimal) * 1_000_000_000 / 65_536;
    for (hexadecimal, seconds) in [
        (&figure.a, figure.a_s),
        (&figure.lsr, figure.lsr_s),
        (&figure.dlsr, figure.dlsr_s),
        (&figure.delay, figure.delay_s),
    ] {
        assert_eq!(ns(hexadecimal) as f64, seconds * 1e9);
    }
    let stamp_s = bits(&figure.ntp_sec) as f64 + bits(&figure.ntp_frac) as f64 / 2.0_f64.powi(32);
    assert_eq!(stamp_s, figure.ntp_s);
    // LSR is the middle 32 bits of the report's 64-bit stamp.
    let middle = (bits(&figure.ntp_sec) & 0xffff) << 16 | bits(&figure.ntp_frac) >> 16;
    assert_eq!(middle, bits(&figure.lsr));
    let exchange = Exchange::new(ns(&figure.lsr), 0, ns(&figure.dlsr), ns(&figure.a)).unwrap();
    assert_eq!(exchange.delay_ns(), ns(&figure.delay));
}
