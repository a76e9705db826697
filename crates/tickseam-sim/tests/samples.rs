//! Simulated samples: responses at true onsets, and a recording that stays as it was.

use tickseam_sim::{Scenario, Simulated, simulate};

const BASE: &str = "\
duration_s = 120
[host]
loss = 0.01
duplicates = 0.05
reordering = 0.05
[[stream]]
name = \"scalp\"
[[stream]]
name = \"optical\"
rate_hz = 64.0
samples_per_packet = 8
dither_samples = 2
";

fn session(more: &str, seed: u64) -> Simulated {
    simulate(&Scenario::from_toml(&format!("{BASE}{more}")).unwrap(), seed).unwrap()
}

#[test]
fn samples_change_nothing_else_of_a_recording() {
    let plain = session("", 5);
    assert_eq!(plain.samples, None);
    let mut with = session("[response.target]\n[background]\nrhythm_uv = 3.0\n", 5);
    assert!(with.samples.take().is_some());
    assert_eq!(with, plain);
}

#[test]
fn a_scenario_without_samples_is_written_as_before() {
    let text = Scenario::default().to_toml().unwrap();
    assert!(!text.contains("[response") && !text.contains("background"), "{text}");
    let scenario =
        Scenario::from_toml("[response.target]\ngains = [1.0, 0.5]\n[background]\nchannels = 2\n").unwrap();
    assert_eq!(Scenario::from_toml(&scenario.to_toml().unwrap()).unwrap(), scenario);
}

/// All values of a session, one row for each packet in the order of reception.
fn values(session: &Simulated) -> Vec<Vec<f32>> {
    let samples = session.samples.as_ref().unwrap();
    let mut rows = Vec::new();
    for place in 0..samples.packets() {
        let mut row = Vec::new();
        samples.packet(place, &mut row);
        rows.push(row);
    }
    rows
}

#[test]
fn a_packet_that_came_twice_holds_the_same_twice_and_a_lost_one_changes_no_other() {
    let more = "[background]\nchannels = 3\nrhythm_uv = 2.0\n";
    let lossy = session(more, 9);
    let whole = {
        let text = format!("{BASE}{more}").replace("loss = 0.01\nduplicates = 0.05\nreordering = 0.05\n", "");
        simulate(&Scenario::from_toml(&text).unwrap(), 9).unwrap()
    };
    let by_sequence = |session: &Simulated| {
        let scalp = session.packets.iter().filter(|packet| packet.stream == 0).map(|packet| packet.sequence);
        scalp.zip(values(session)).collect::<Vec<_>>()
    };
    let (lossy, whole) = (by_sequence(&lossy), by_sequence(&whole));
    let mut twice = 0;
    for (place, (sequence, row)) in lossy.iter().enumerate() {
        twice += usize::from(lossy[..place].iter().any(|(other, _)| other == sequence));
        let (_, same) = whole.iter().find(|(other, _)| other == sequence).unwrap();
        assert_eq!(row, same, "{sequence}");
    }
    assert!(twice > 100 && lossy.len() != whole.len(), "{twice} came twice");
}

#[test]
fn packets_of_different_sizes_are_filled_up_with_not_a_number() {
    let session = session("[background]\nstream = \"optical\"\nchannels = 2\n", 2);
    let samples = session.samples.as_ref().unwrap();
    assert_eq!((samples.stream, samples.room, samples.channels), (1, 10, 2));
    let optical = session.packets.iter().filter(|packet| packet.stream == 1);
    for (packet, row) in optical.zip(values(&session)) {
        assert_eq!(row.len(), 20);
        let held = 2 * packet.samples as usize;
        assert!(row[..held].iter().all(|value| value.is_finite()));
        assert!(row[held..].iter().all(|value| value.is_nan()));
    }
}

/// Of a component without noise, the centre of gravity is where its peak is: at the true onset and its latency, on the phone's clock.
#[test]
fn a_response_lies_at_the_true_onset_of_its_event_and_nowhere_else() {
    let scenario = "\
duration_s = 100
[device]
offset_ppm = 400.0
tolerance_ppm = 1000.0
[trials]
interval_s = [2.0, 2.5]
stimulus = [
    { label = \"a\", probability = 0.5, latency_ms = 30.0, latency_u_ms = 5.0, response_probability = 0.0 },
    { label = \"b\", probability = 0.5, response_probability = 0.0 },
]
[response.a]
amplitude_uv = -6.0
latency_ms = 320.0
width_ms = 40.0
gains = [1.0, 0.5]
[background]
channels = 3
white_uv = 0.0
";
    let session = simulate(&Scenario::from_toml(scenario).unwrap(), 4).unwrap();
    let clock = &session.truth.clock;
    let mut wave: Vec<(f64, Vec<f64>)> = Vec::new();
    for (first_s, row) in session.truth.first_sample_s.iter().zip(values(&session)) {
        for (sample, values) in row.chunks(3).enumerate() {
            let device_s = clock.device_at_host(*first_s) + sample as f64 / 250.0;
            wave.push((
                clock.host_at_device(device_s),
                values.iter().map(|&value| f64::from(value)).collect(),
            ));
        }
    }
    let zero_s =
        clock.device_at_host(session.truth.first_sample_s.iter().copied().fold(f64::INFINITY, f64::min));
    let mut found = 0;
    for (event, onset) in session.events.iter().zip(&session.truth.events) {
        let onset_s = clock.host_at_device(zero_s + onset.onset_s.unwrap());
        let near: Vec<_> = wave.iter().filter(|(at_s, _)| (at_s - onset_s - 0.32).abs() < 0.4).collect();
        let peak = |channel: usize| near.iter().map(|(_, values)| values[channel]).fold(0.0, f64::min);
        if event.label == "b" {
            assert!(peak(0) > -1e-3, "{onset_s}: {}", peak(0));
            continue;
        }
        if near.len() < 195 {
            continue;
        }
        found += 1;
        for (channel, gain) in [(0, 1.0), (1, 0.5), (2, 1.0)] {
            assert!((peak(channel) / (-6.0 * gain) - 1.0).abs() < 2e-3, "{channel}: {}", peak(channel));
        }
        let area: f64 = near.iter().map(|(_, values)| values[0]).sum();
        let centre_s = near.iter().map(|(at_s, values)| at_s * values[0]).sum::<f64>() / area;
        assert!((centre_s - onset_s - 0.32).abs() < 5e-6, "{onset_s}: {centre_s}");
    }
    assert!(found > 10, "{found}");
}

#[test]
fn noise_and_rhythm_are_as_large_as_asked() {
    // 25,000 samples: of a deviation, 0.45 % is one standard error; a narrow-band rhythm has fewer of its own, about 250.
    let root = |more: &str| {
        let session =
            simulate(&Scenario::from_toml(&format!("duration_s = 100\n{more}")).unwrap(), 8).unwrap();
        let all: Vec<f64> = values(&session).into_iter().flatten().map(f64::from).collect();
        (all.iter().map(|value| value * value).sum::<f64>() / all.len() as f64).sqrt()
    };
    let white_uv = root("[background]\nwhite_uv = 7.0\n");
    assert!((white_uv / 7.0 - 1.0).abs() < 0.02, "{white_uv}");
    let rhythm_uv = root("[background]\nwhite_uv = 0.0\nrhythm_uv = 5.0\n");
    assert!((rhythm_uv / 5.0 - 1.0).abs() < 0.15, "{rhythm_uv}");
}

#[test]
fn a_response_to_nothing_and_numbers_out_of_range_are_refused() {
    for (text, message) in [
        ("[response.rare]\n", "response.rare: expected the label of a stimulus or of the tap"),
        ("[response.target]\nwidth_ms = 0.0\n", "response.target.width_ms: expected 0.01 to 10000, found 0"),
        (
            "[response.target]\ngains = [2000.0]\n",
            "response.target.gains: expected -1000 to 1000, found 2000",
        ),
        ("[background]\nstream = \"x\"\n", "background.stream: expected the name of a stream, found \"x\""),
        ("[background]\nchannels = 0\n", "background.channels: expected 1 to 512, found 0"),
        ("[background]\nwhite_uv = -1.0\n", "background.white_uv: expected 0 to 1000000, found -1"),
    ] {
        assert_eq!(Scenario::from_toml(text).unwrap_err().to_string(), message);
    }
    Scenario::from_toml("[response.tap]\namplitude_uv = -3.0\n").unwrap();
}
