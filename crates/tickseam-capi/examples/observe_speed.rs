//! Time of one observed packet: the Rust session against the C function, best of several rounds.
//! `cargo run --release -p tickseam-capi --example observe_speed`
#![expect(
    clippy::unwrap_used,
    clippy::arithmetic_side_effects,
    clippy::cast_precision_loss,
    reason = "a measurement"
)]

use std::hint::black_box;
use std::time::Instant;

use tickseam::intake::{PacketStamp, StreamConfig};
use tickseam::session::{Session, SessionConfig, TickCounter};
use tickseam_capi::*;

const PACKETS: i64 = 200_000;
const ROUNDS: usize = 7;

fn host_ns(n: i64) -> i64 {
    7_000_000_000 + (n * 20 + 18 + (14 - n * 20 % 15)) * 1_000_000
}

fn by_rust() -> f64 {
    let stream = StreamConfig { rate_hz: 250.0, samples_per_packet: 5, sequence_bits: 16 };
    let config = SessionConfig {
        ticks: Some(TickCounter { hz: 32_768.0, bits: 32 }),
        tolerance_ppm: 50.0,
        host_step_us: 0.001,
        fixed_delay: None,
        interval_us: None,
        streams: &[stream],
    };
    let mut session = Session::<4>::new(&config).unwrap();
    let from = Instant::now();
    for n in 0..PACKETS {
        let stamp = PacketStamp {
            host_ns: host_ns(n),
            sequence: (n & 0xFFFF).cast_unsigned(),
            tick: Some((n * 32_768 / 50).cast_unsigned()),
            samples: 5,
        };
        let _ = black_box(session.observe_packet(0, black_box(stamp)));
    }
    from.elapsed().as_nanos() as f64 / PACKETS as f64
}

fn by_c() -> f64 {
    // SAFETY: plain numbers.
    let mut config: tickseam_config = unsafe { std::mem::zeroed() };
    config.struct_size = 128;
    (config.tick_hz, config.tick_bits, config.tolerance_ppm) = (32_768.0, 32, 50.0);
    (config.host_step_us, config.stream_count) = (0.001, 1);
    config.streams[0] = tickseam_stream { rate_hz: 250.0, samples_per_packet: 5, sequence_bits: 16 };
    let mut memory = Box::new(tickseam_session_memory { words: [0; 2112] });
    let mut session = std::ptr::null_mut();
    let place = (&raw mut *memory).cast();
    // SAFETY: valid pointers, long enough.
    let status = unsafe { tickseam_session_init(place, TICKSEAM_SESSION_SIZE, &config, &mut session) };
    assert_eq!(status, TICKSEAM_OK);
    // SAFETY: plain numbers.
    let mut answer: tickseam_answer = unsafe { std::mem::zeroed() };
    answer.struct_size = 56;
    type Observe =
        unsafe extern "C" fn(*mut tickseam_session, *const tickseam_packet, *mut tickseam_answer) -> i32;
    let observe: Observe = black_box(tickseam_session_observe_packet);
    let from = Instant::now();
    for n in 0..PACKETS {
        let packet = tickseam_packet {
            host_ns: host_ns(n),
            sequence: (n & 0xFFFF).cast_unsigned(),
            tick: (n * 32_768 / 50).cast_unsigned(),
            samples: 5,
            stream: 0,
            has_tick: 1,
            reserved: 0,
        };
        // SAFETY: valid pointers.
        let status = unsafe { observe(session, black_box(&raw const packet), black_box(&raw mut answer)) };
        assert_eq!(status, TICKSEAM_OK);
    }
    from.elapsed().as_nanos() as f64 / PACKETS as f64
}

fn main() {
    let best = |run: fn() -> f64| (0..ROUNDS).map(|_| run()).fold(f64::INFINITY, f64::min);
    let (rust, c) = (best(by_rust), best(by_c));
    println!("Rust {rust:.1} ns, C {c:.1} ns a packet: {:.2} times", c / rust);
}
