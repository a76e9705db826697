//! The shared vector file holds what the Rust session answers; `bindings/*` check it in their own languages.
#![expect(clippy::unwrap_used, clippy::arithmetic_side_effects, reason = "a test")]

use std::fmt::Write as _;
use std::path::Path;

use tickseam::intake::{PacketStamp, StreamConfig};
use tickseam::placement::Shift;
use tickseam::session::{Session, SessionConfig, Sighted, TickCounter};
use tickseam_capi::tickseam_answer;

const HEADING: &str = "\
# What one session answers, row after row; numbers with 0x are binary64 in hexadecimal, exact.
# config,tick_hz,tick_bits,tolerance_ppm,host_step_us,fixed_delay_us,fixed_delay_u_us,interval_us,rate_hz,samples_per_packet,sequence_bits
# packet,host_ns,sequence,tick,samples -> disposition
# exchange,origin_ns,receive_tick,transmit_tick,destination_ns -> sighting
# place,host_ns,latency_us,latency_u_us -> segment,device_s,u_us,u95_us,link_us,map's offset_us,map's rate_ppm,host_ns of device_s
";

/// A number in the hexadecimal of C's `%a`.
fn hex(number: f64) -> String {
    let bits = number.to_bits();
    let sign = if bits >> 63 == 1 { "-" } else { "" };
    let (exponent, fraction) = ((bits >> 52) & 0x7FF, bits & ((1 << 52) - 1));
    assert!(number.is_finite() && (exponent > 0 || fraction == 0), "{number}");
    if exponent == 0 {
        return format!("{sign}0x0p+0");
    }
    let digits = format!("{fraction:013x}");
    let digits = digits.trim_end_matches('0');
    let point = if digits.is_empty() { "" } else { "." };
    format!("{sign}0x1{point}{digits}p{:+}", exponent.cast_signed() - 1023)
}

/// Sixty seconds of a headset 23 ppm fast on a grid of 15 ms: lost, late and repeated packets; a restart; then forty more seconds.
fn vectors() -> String {
    let stream = StreamConfig { rate_hz: 250.0, samples_per_packet: 5, sequence_bits: 8 };
    let config = SessionConfig {
        ticks: Some(TickCounter { hz: 32_768.0, bits: 24 }),
        tolerance_ppm: 50.0,
        host_step_us: 1.0,
        fixed_delay: Some(Shift { us: 4_000.0, u_us: 150.0 }),
        interval_us: None,
        streams: &[stream],
    };
    let mut session = Session::<4>::new(&config).unwrap();
    let mut text = HEADING.to_owned();
    text.push_str("config,32768,24,50,1,4000,150,0,250,5,8\n");
    let mut state = 20_u64;
    let mut draw = |below: u64| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) % below
    };
    let host_0 = 1_700_000_000_000_000_i64;
    let mut queue: Vec<(i64, i64, i64)> = Vec::new();
    for n in 0..5_000_i64 {
        // Device time 20 ms a packet; the host sees it 23 ppm shorter; the packet waits for the grid, at times for longer.
        let (restarted, own) = if n < 3_000 { (0, n) } else { (1, n - 3_000) };
        let ready_us = n * 20_000 - n * 20_000 * 23 / 1_000_000 + 4_000 + restarted * 700_000;
        let mut event_us = (ready_us / 15_000 + 1) * 15_000;
        while draw(10) == 0 {
            event_us += 15_000;
        }
        if draw(50) != 0 {
            queue.push((host_0 + event_us * 1_000 + draw(300).cast_signed() * 1_000, own, n));
        }
        if draw(60) == 0 {
            queue.push((host_0 + event_us * 1_000 + 400_000, own, n));
        }
    }
    queue.sort_unstable();
    for (place, &(host_ns, own, n)) in queue.iter().enumerate() {
        let tick = (own * 32_768 / 50 + 16_000_000) & 0xFF_FFFF;
        let stamp = PacketStamp {
            host_ns,
            sequence: (own & 0xFF).cast_unsigned(),
            tick: Some(tick.cast_unsigned()),
            samples: 5,
        };
        let answer = tickseam_answer::new(&session.observe_packet(0, stamp));
        let _ = writeln!(text, "packet,{host_ns},{},{tick},5,{}", stamp.sequence, answer.disposition);
        if place == 1_500 || place == 1_600 {
            let (origin, destination) = (host_ns - 40_000_000, host_ns + 1_000_000);
            let at = |ms: i64| ((own * 20 + ms) * 32_768 / 1_000 + 16_000_000).cast_unsigned() & 0xFF_FFFF;
            let (receive, transmit) = (at(-20), at(-19));
            let sighted = session.observe_exchange(origin, receive, transmit, destination);
            assert_eq!(sighted, Sighted::Used, "row {n}");
            let _ = writeln!(text, "exchange,{origin},{receive},{transmit},{destination},0");
        }
        if place % 60 == 59 {
            let (at_ns, latency) = (host_ns - 1_234_567_891, Shift { us: -150.25, u_us: 33.5 });
            let placed = session.place(at_ns, latency).unwrap();
            let (placement, map) = (placed.placement, session.map().unwrap());
            let back = session.host_at(placement.device_s).unwrap();
            let _ = writeln!(
                text,
                "place,{at_ns},-150.25,33.5,{},{},{},{},{},{},{},{}",
                placed.segment,
                hex(placement.device_s),
                hex(placement.u_us),
                hex(placement.u95_us),
                hex(placement.budget.link_us),
                hex(map.offset_us),
                hex(map.rate_ppm),
                back.host_ns
            );
        }
    }
    assert_eq!(session.segment(), 1);
    text
}

fn path() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../bindings/vectors/live.csv")
}

#[test]
fn the_rust_session_gives_the_bits_of_the_vector_file() {
    let committed = std::fs::read_to_string(path()).unwrap();
    for (line, (committed, now)) in committed.lines().zip(vectors().lines()).enumerate() {
        assert_eq!(committed, now, "line {}", line + 1);
    }
    assert_eq!(committed.lines().count(), vectors().lines().count());
}

#[test]
#[ignore = "writes bindings/vectors/live.csv, when the numerics revision moves"]
fn renew_the_vector_file() {
    std::fs::write(path(), vectors()).unwrap();
}

#[test]
fn hexadecimals_are_those_of_c() {
    assert_eq!((hex(1.0), hex(-2.5), hex(0.0)), ("0x1p+0".into(), "-0x1.4p+1".into(), "0x0p+0".into()));
    assert_eq!(hex(0.1), "0x1.999999999999ap-4");
}
