//! The sweep of packet schedules: known points, the closed form of the beat, ranking, the command.

mod common;

use std::fs;

use serde_json::Value;
use tickseam::block::Arrival;
use tickseam::frame::Frame;
use tickseam_cli::peers::{Peer, Seen};
use tickseam_cli::schedule::advice::{Cause, Watch, advise};
use tickseam_cli::schedule::plan::{Condition, Plan, Schedule};
use tickseam_cli::schedule::sweep::sweep;
use tickseam_sim::simulate;

use common::said;

struct Silent;

impl Watch for Silent {
    fn expect(&self, _: usize) {}
    fn done(&self) {}
}

fn plan(text: &str) -> Plan {
    Plan::new(text, None).unwrap()
}

/// 95th percentile of the error that the lower envelope of all arrivals makes over a session, ms, all conditions and seeds.
fn lower_envelope_p95_ms(plan: &Plan, schedule: &Schedule) -> f64 {
    let mut errors_ms = Vec::new();
    for condition in &plan.conditions {
        for seed in 1..=plan.seeds {
            let scenario = plan.scenario(schedule, condition, plan.session_s);
            let session = simulate(&scenario, seed).unwrap();
            let stream = &scenario.streams[0];
            let origin_ns = scenario.host.origin_ns;
            let frame = Frame { device_origin: 0, counts_per_s: 1.0, host_origin_ns: origin_ns };
            let clock = &session.truth.clock;
            let arrivals: Vec<Arrival> = session
                .packets
                .iter()
                .zip(&session.truth.first_sample_s)
                .map(|(packet, &first_s)| {
                    // Up to a packet's last sample, less what a usual packet takes: dithered ones are compared at that.
                    let more = f64::from(packet.samples) - f64::from(stream.samples_per_packet);
                    let device_s = clock.device_at_host(first_s) + more / stream.rate_hz;
                    let residual_us = (packet.host_ns - origin_ns) as f64 * 1e-3 - device_s * 1e6;
                    Arrival::new(device_s, residual_us)
                })
                .collect();
            let seen = Seen {
                frame,
                arrivals: &arrivals,
                round_trips: &[],
                fixed_delay_us: session.truth.fixed_delay_ms[0] * 1e3,
            };
            let envelope = seen.by(Peer::LowerHull).unwrap();
            for event in &session.events {
                let host_s = (event.host_ns - origin_ns) as f64 * 1e-9;
                let placed_s = envelope.onset_s(event.host_ns, 0.0).unwrap();
                errors_ms.push((placed_s - clock.device_at_host(host_s)).abs() * 1e3);
            }
        }
    }
    errors_ms.sort_by(f64::total_cmp);
    errors_ms[errors_ms.len() * 95 / 100]
}

fn only(plan: &Plan) -> f64 {
    sweep(plan, &plan.schedules, &|| ()).unwrap()[0].error_ms[1]
}

// An independent simulation with a lower envelope gave, after 5 minutes, 6.4, 0.17 and 0.23 ms. Which drifts, losses and delays it
// drew is not known; here drifts are ±25 ppm and the rest are the defaults, so the first is held to it within a half and the small
// ones within three times. The project's own estimate knows of the beat and goes by the middle of what is possible, which about
// halves the first.
#[test]
fn known_schedules_err_as_an_independent_simulation_had_it() {
    for (text, envelope_ms, own_ms) in [
        ("samples_per_packet = 10\ninterval_ms = 30", 4.3..9.6, 2.0..5.0),
        (
            "samples_per_packet = 8\ninterval_ms = 30\n[[scenario.stream]]\nrate_hz = 256.0",
            0.06..0.51,
            0.06..0.51,
        ),
        ("samples_per_packet = 10\ndither_samples = 1\ninterval_ms = 30", 0.08..0.69, 0.08..0.69),
    ] {
        let plan = plan(&format!("drift_ppm = [-25, 25]\n{text}"));
        let envelope = lower_envelope_p95_ms(&plan, &plan.schedules[0]);
        let own = only(&plan);
        println!("{}: lower envelope {envelope:.2} ms, own {own:.2} ms", plan.name(&plan.schedules[0]));
        assert!(envelope_ms.contains(&envelope), "{text}: lower envelope {envelope} ms");
        assert!(own_ms.contains(&own), "{text}: own {own} ms");
    }
}

// Closed form: evenly within g / 2 of the truth before a slip. Its derivation stands in `tickseam_sim::beat`.
#[test]
fn before_a_slip_the_error_grows_with_the_beat_as_the_closed_form_says() {
    let plan = plan(
        "samples_per_packet = [5, 10, 15]\ninterval_ms = [15, 20]\ndrift_ppm = [-2, 2]\nseeds = 20\nsession_s = 60\nerror_rate = 0.02\n\
         [scenario.device]\nwarm_up_ppm = 0.0\n",
    );
    let mut compared = 0;
    for judged in sweep(&plan, &plan.schedules, &|| ()).unwrap() {
        let beat = plan.beat(&judged.schedule);
        let said_ms = beat.error_p95_before_slip_ms();
        // A small beat drowns in the phone's own delays, and more than a tenth of slips is another case.
        if beat.divisor_ms < 5.0 || beat.slip_probability(2.0, 60.0) > 0.1 {
            continue;
        }
        let name = plan.name(&judged.schedule);
        println!("{name}: {:.2} ms, closed form {said_ms:.2} ms", judged.error_ms[1]);
        assert!(
            (0.6..1.35).contains(&(judged.error_ms[1] / said_ms)),
            "{name}: {} for {said_ms}",
            judged.error_ms[1]
        );
        compared += 1;
    }
    assert!(compared >= 4, "{compared} schedules are too few");
}

#[test]
fn the_better_schedule_comes_first_and_a_bad_one_is_mended_by_what_was_simulated() {
    let plan = plan(
        "samples_per_packet = [10, 12]\ninterval_ms = 30\nseeds = 2\nsession_s = 120\ndrift_ppm = [-15, 15]\ntarget_ms = 1.5",
    );
    let advice = advise(&plan, &Silent).unwrap();
    let errors_ms: Vec<f64> = advice.ranked.iter().map(|verdict| verdict.judged.error_ms[1]).collect();
    assert!(errors_ms.is_sorted(), "{errors_ms:?}");
    let locked =
        advice.ranked.iter().find(|verdict| verdict.judged.schedule.samples_per_packet == 10).unwrap();
    assert_eq!(locked.cause, Cause::Locked);
    assert!(locked.why_bad(&plan).contains("g = 10 ms"), "{}", locked.why_bad(&plan));
    let helps: Vec<_> = locked.mends.iter().filter(|mend| mend.mends).collect();
    assert!(!helps.is_empty(), "{}", locked.mend_words(&plan));
    for mend in helps {
        let again = sweep(&plan, &[mend.judged.schedule], &|| ()).unwrap();
        assert_eq!(again[0], mend.judged, "{}", mend.change);
        assert!(again[0].error_ms[1] <= plan.target_ms);
        let (one, other) = (&locked.judged.schedule, &mend.judged.schedule);
        let changed = [
            one.samples_per_packet != other.samples_per_packet,
            one.interval_ms != other.interval_ms,
            one.dither_samples != other.dither_samples,
            one.exchange_period_s != other.exchange_period_s,
        ];
        assert_eq!(changed.iter().filter(|changed| **changed).count(), 1, "{}", mend.change);
    }
}

#[test]
fn a_queue_that_overflows_comes_last_and_is_named() {
    let plan = plan(
        "samples_per_packet = [5, 10]\ninterval_ms = 30\nseeds = 1\ndrift_ppm = 20\nsession_s = 60\n\
         [scenario.link]\npackets_per_event = 1\n[scenario.device]\nqueue_packets = 4\n",
    );
    let advice = advise(&plan, &Silent).unwrap();
    let last = advice.ranked.last().unwrap();
    assert_eq!((last.judged.schedule.samples_per_packet, last.cause), (5, Cause::Congested));
    // A packet each 20 ms, one of 1.05 sent each 30 ms: 37 % do not go.
    assert!((last.judged.overflow_share - 0.37).abs() < 0.05, "{}", last.judged.overflow_share);
    assert!(last.why_bad(&plan).starts_with("The link does not carry it"));
    assert_ne!(advice.chosen, advice.ranked.len() - 1);
}

#[test]
fn one_plan_is_one_answer_however_many_cores_run_it() {
    let plan =
        plan("samples_per_packet = [8, 9]\ninterval_ms = 20\nseeds = 2\ndrift_ppm = 20\nsession_s = 30");
    let first = sweep(&plan, &plan.schedules, &|| ()).unwrap();
    let alone = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
    assert_eq!(first, alone.install(|| sweep(&plan, &plan.schedules, &|| ())).unwrap());
    let condition = Condition { error_rate: 0.05, drift_ppm: 20.0 };
    assert_eq!(plan.conditions, [condition]);
}

const SMALL: &str = "samples_per_packet = [8, 10]\ndither_samples = [0, 1]\ninterval_ms = 30\nseeds = 1\ndrift_ppm = 20\nsession_s = 30\n\
                     exchange_period_s = [0, 5]\noctets_per_sample = [3, 12]\n";

#[test]
fn the_command_ranks_within_80_columns_in_silence_and_writes_a_page_that_fetches_nothing() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("plan.toml"), SMALL).unwrap();
    let (status, output, errors) = said(&["schedule", "plan.toml"], folder.path());
    assert_eq!((status, errors.as_str()), (0, ""));
    assert!(output.starts_with("Swept        16 schedules, each in 1 sessions of 30 s"), "{output}");
    for line in output.lines() {
        assert!(line.chars().count() <= 80, "{line}");
    }
    assert_eq!(output.lines().filter(|line| line.starts_with("> ")).count(), 1, "{output}");
    let page = fs::read_to_string(folder.path().join("schedule.html")).unwrap();
    for unwanted in ["<script", "http://", "https://", "src=", "@import", "url("] {
        assert!(!page.contains(unwanted), "{unwanted}");
    }
    for (open, close) in
        [("<svg", "</svg>"), ("<figure>", "</figure>"), ("<g>", "</g>"), ("<div", "</div>"), ("<tr", "</tr>")]
    {
        assert_eq!(page.matches(open).count(), page.matches(close).count(), "{open}");
    }
    assert!(page.matches("<svg").count() > 4 && page.contains("prefers-color-scheme:dark"));
}

#[test]
fn json_holds_every_number_of_every_schedule() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("plan.toml"), SMALL).unwrap();
    let (status, output, errors) =
        said(&["schedule", "plan.toml", "--json", "--out", "page.html"], folder.path());
    assert_eq!((status, errors.as_str()), (0, ""));
    let report: Value = serde_json::from_str(&output).unwrap();
    assert_eq!(report["version"], 1);
    let schedules = report["schedules"].as_array().unwrap();
    assert_eq!(schedules.len(), 16);
    let numbers = [
        "samples_per_packet",
        "dither_samples",
        "interval_ms",
        "octets_per_sample",
        "exchange_period_s",
        "beat_ms",
        "slip_period_s",
        "runs",
        "events",
        "error_p50_ms",
        "error_p95_ms",
        "error_p99_ms",
        "worst_run_error_p95_ms",
        "u95_median_ms",
        "held_share",
        "queue_overflow_share",
        "missing_share",
        "first_chance_share",
        "radio_duty_cycle",
        "charge_mah_per_hour",
        "latency_p99_ms",
    ];
    for schedule in schedules {
        for key in numbers {
            assert!(schedule[key].is_number(), "{key}: {}", schedule[key]);
        }
        assert!(schedule.get("live_u95_within_target_after_s").is_some());
        assert!(schedule["cause"].is_string() && schedule["why"].is_string() && schedule["mends"].is_array());
    }
    let take = report["take"].as_u64().unwrap() as usize;
    assert!(take < schedules.len());
    assert!(report["why"].as_str().unwrap().contains("ms"));
    assert!(report["against_length"].as_array().unwrap().len() > 1);
    assert!(report["radio"]["sending_ma"].is_number());
    assert!(folder.path().join("page.html").exists() && !folder.path().join("schedule.html").exists());
}

#[test]
fn a_schedule_above_the_limit_ends_with_status_1_after_all_was_said() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(
        folder.path().join("plan.toml"),
        "samples_per_packet = 10\ninterval_ms = 20\nseeds = 2\ndrift_ppm = [-5, 5]\nsession_s = 30\n",
    )
    .unwrap();
    let (status, output, errors) = said(&["schedule", "plan.toml", "--fail-above", "100us"], folder.path());
    assert_eq!(status, 1);
    assert!(output.contains("Take"), "{output}");
    assert!(
        errors.starts_with("tickseam: 10 samples, 20 ms: 95 % of the events are placed within "),
        "{errors}"
    );
    assert!(errors.ends_with("which is above 0.1 ms\n"), "{errors}");
    let (status, _, errors) = said(&["schedule", "plan.toml", "--fail-above", "1s"], folder.path());
    assert_eq!((status, errors.as_str()), (0, ""));
}

#[test]
fn a_link_that_never_places_the_events_is_said_in_words_and_no_schedule_is_recommended() {
    let folder = tempfile::tempdir().unwrap();
    // Every packet is damaged on the air: none comes.
    let plan = "samples_per_packet = [8, 10]\ninterval_ms = 30\nseeds = 1\ndrift_ppm = 20\nsession_s = 30\nerror_rate = 1\n";
    fs::write(folder.path().join("plan.toml"), plan).unwrap();
    let (status, output, errors) = said(&["schedule", "plan.toml", "--fail-above", "1s"], folder.path());
    assert_eq!(
        (status, errors.as_str()),
        (
            1,
            "tickseam: 8 samples, 30 ms: more than 5 % of the events are not placed, so nothing keeps their error within \
             1000 ms\n"
        )
    );
    let words = output.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        words.contains(
            "Take None: the link never gets there. 8 samples, 30 ms comes first, but more than 5 % of the events are not \
             placed, so nothing bounds their error."
        ),
        "{output}"
    );
    assert!(
        words.contains("Not 10 samples, 30 ms (more than 5 % of the events are not placed)."),
        "{output}"
    );
    let page = fs::read_to_string(folder.path().join("schedule.html")).unwrap();
    let (status, json, _) = said(&["schedule", "plan.toml", "--json"], folder.path());
    assert_eq!(status, 0);
    for (what, text) in [("on the terminal", &output), ("in the page", &page), ("in the JSON", &json)] {
        let infinite = text.split(|c: char| !c.is_alphanumeric()).any(|word| matches!(word, "inf" | "NaN"));
        assert!(!infinite, "an infinite number {what}: {text}");
    }
    let report: Value = serde_json::from_str(&json).unwrap();
    assert!(report["schedules"][0]["error_p95_ms"].is_null());
    assert!(report["why"].as_str().unwrap().starts_with("None: the link never gets there."));
}

#[test]
fn wrong_usage_ends_with_status_2_and_a_wrong_plan_with_status_1_and_its_key() {
    let folder = tempfile::tempdir().unwrap();
    let (status, output, errors) = said(&["schedule"], folder.path());
    assert_eq!((status, output.as_str()), (2, ""));
    assert!(errors.contains("FILE.toml"), "{errors}");
    for limit in ["1", "-1ms", "fast"] {
        let (status, _, errors) =
            said(&["schedule", "plan.toml", &format!("--fail-above={limit}")], folder.path());
        assert!(status == 2 && errors.contains("expected a time above 0 with its unit"), "{limit}: {errors}");
    }
    let (status, _, errors) = said(&["schedule", "absent.toml"], folder.path());
    assert!(
        status == 1
            && errors.starts_with("tickseam: absent.toml: found no such file, expected a plan, a TOML file"),
        "{errors}"
    );
    for (text, message) in [
        ("interval_ms = 16\n", "tickseam: plan.toml: interval_ms: expected multiples of 1.25 ms, found 16\n"),
        ("[scenario.link]\nphy = \"5M\"\n", "tickseam: plan.toml: line 2, column 7: "),
    ] {
        fs::write(folder.path().join("plan.toml"), text).unwrap();
        let (status, output, errors) = said(&["schedule", "plan.toml"], folder.path());
        assert_eq!((status, output.as_str()), (1, ""));
        assert!(errors.starts_with(message), "{errors}");
    }
    assert!(!folder.path().join("schedule.html").exists());
}

#[test]
fn a_recording_stands_for_a_plan_and_gives_its_numbers_to_one() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(
        folder.path().join("recording.toml"),
        "format = 1\n[device_clock]\ntick_hz = 32768.0\ntick_bits = 32\n[link]\nconnection_interval_ms = 22.5\n\
         [[stream]]\nname = \"scalp\"\nrate_hz = 500.0\nsamples_per_packet = 12\nsequence_bits = 16\n",
    )
    .unwrap();
    fs::write(
        folder.path().join("plan.toml"),
        "seeds = 1\ndrift_ppm = 15\nsession_s = 20\ninterval_ms = 22.5\nsamples_per_packet = 12\n",
    )
    .unwrap();
    let (status, output, errors) =
        said(&["schedule", "plan.toml", "--from", "recording.toml", "--json"], folder.path());
    assert_eq!((status, errors.as_str()), (0, ""));
    let report: Value = serde_json::from_str(&output).unwrap();
    // 24 ms packets at 500 Hz and 22.5 ms: 1.5 ms.
    assert!((report["schedules"][0]["beat_ms"].as_f64().unwrap() - 1.5).abs() < 1e-9);
    let (status, _, errors) = said(&["schedule", "plan.toml", "--from", "plan.toml"], folder.path());
    assert!(status == 1 && errors.starts_with("tickseam: plan.toml line 1"), "{errors}");
}
