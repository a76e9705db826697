//! How often the stated interval holds the truth, by class, by family and under faults.

use tickseam_sim::Scenario;
use tickseam_sim::scenario::{Fault, LinkKind, StreamScenario};
use tickseam_tests::on_all_cores;

use crate::recording::{Answer, Delay, Draw, Kind, Measured, Session};
use crate::tables::{Errors, Summary, Table, held_share, mean, number, percent, worst_ratio};

/// From here on the causal estimator counts as settled, s since the first packet.
const SETTLED_S: f64 = 300.0;
/// What still counts as just after a fault, s.
const JUST_AFTER_S: f64 = 60.0;

pub(crate) fn measure(draws: &[Draw], delay: Delay) -> Vec<Measured> {
    on_all_cores(draws, |draw| Session::new(draw, delay).measured(draw))
}

fn of_kind(all: &[Measured], kind: Kind) -> impl Iterator<Item = &Measured> + Clone {
    all.iter().filter(move |measured| measured.kind == kind)
}

/// The causal answers from a time on, and the replayed ones for the same instants.
fn live_from(measured: &Measured, from_s: f64) -> (Vec<Answer>, Vec<Answer>) {
    let pairs = measured.live.iter().zip(&measured.live_places);
    pairs
        .filter(|(answer, _)| answer.at_s >= from_s)
        .map(|(answer, &place)| (*answer, measured.replayed[place]))
        .unzip()
}

/// Tables by class, and the `named` worst recordings of each.
pub(crate) fn by_class(all: &[Measured], arguments: &str, named: usize) {
    let headings: Vec<&str> = ["class"].into_iter().chain(Summary::HEADINGS).collect();
    let kinds = || Kind::ALL.into_iter().filter(|&kind| of_kind(all, kind).next().is_some());

    let mut table = Table::new("Replayed:", &headings);
    for kind in kinds() {
        let summary = Summary::new(of_kind(all, kind).map(|measured| &measured.replayed[..]));
        table.row(&[vec![kind.name().to_owned()], summary.cells()].concat());
    }
    println!("{table}");

    for (title, from_s) in
        [("Live, after 5 minutes:", SETTLED_S), ("Live, from the start:", f64::NEG_INFINITY)]
    {
        let mut headings = headings.clone();
        headings.push("p99 ÷ replayed p99");
        let mut table = Table::new(title, &headings);
        for kind in kinds() {
            let (live, replayed): (Vec<_>, Vec<_>) =
                of_kind(all, kind).map(|measured| live_from(measured, from_s)).unzip();
            let summary = Summary::new(live.iter().map(Vec::as_slice));
            let beside = Summary::new(replayed.iter().map(Vec::as_slice));
            let ratio = summary.errors.percentile_ms(99) / beside.errors.percentile_ms(99);
            table.row(&[vec![kind.name().to_owned()], summary.cells(), vec![number(ratio)]].concat());
        }
        println!("{table}");
    }

    worst(
        "The worst of each class by |error| ÷ u95, replayed then live:",
        all,
        arguments,
        named,
        |answers| Some(worst_ratio(answers)).filter(|&ratio| ratio > 1.0),
    );
    worst("The worst of each class by RMS error, replayed then live:", all, arguments, named, |answers| {
        Some(rms_ms(answers)).filter(|rms_ms| !rms_ms.is_nan())
    });
}

fn rms_ms(answers: &[Answer]) -> f64 {
    Errors::new(answers.iter().filter_map(|answer| answer.error_ms)).rms_ms()
}

/// Names the recordings of each class for which a measure of badness is greatest.
fn worst(
    title: &str,
    all: &[Measured],
    arguments: &str,
    most: usize,
    badness: impl Fn(&[Answer]) -> Option<f64>,
) {
    let headings = [
        "seed",
        "class",
        "worst ÷ u95",
        "held",
        "RMS ms",
        "mean u95 ms",
        "live worst ÷ u95",
        "live held",
        "live RMS ms",
        "live mean u95 ms",
        "what it is",
        "to see it",
    ];
    let mut table = Table::new(title, &headings);
    let of_live: fn(&Measured) -> &[Answer] = |measured| &measured.live;
    let of_replayed: fn(&Measured) -> &[Answer] = |measured| &measured.replayed;
    for kind in Kind::ALL {
        let mut named: Vec<&Measured> = Vec::new();
        for of in [of_replayed, of_live] {
            let mut bad: Vec<(f64, &Measured)> =
                of_kind(all, kind).filter_map(|measured| Some((badness(of(measured))?, measured))).collect();
            bad.sort_by(|a, b| b.0.total_cmp(&a.0));
            for (_, measured) in bad.into_iter().take(most) {
                if !named.iter().any(|other| other.seed == measured.seed) {
                    named.push(measured);
                }
            }
        }
        for measured in named {
            let of = |answers: &[Answer]| {
                [
                    number(worst_ratio(answers)),
                    percent(held_share(answers)),
                    number(rms_ms(answers)),
                    number(mean(answers.iter().map(|answer| answer.u95_ms))),
                ]
            };
            let head = [measured.seed.to_string(), kind.name().to_owned()];
            let again = format!(
                "`coverage --seeds {0}..={0} --class {1}{arguments}`",
                measured.seed,
                measured.drawn.argument()
            );
            let tail = [described(measured), again];
            table.row(&[&head[..], &of(&measured.replayed), &of(&measured.live), &tail].concat());
        }
    }
    println!("{table}");
}

/// What a recording is, in a few words.
fn described(measured: &Measured) -> String {
    let Scenario { duration_s, device, host, link, declare, streams, exchanges, markers, .. } =
        &measured.scenario;
    let mut words = vec![format!("{:.0} min", duration_s / 60.0)];
    words.push(format!("P {:.3} ms", streams[0].packet_period_ms()));
    match link.kind {
        LinkKind::ConnectionEvents => words.push(format!("C {} ms", link.interval_ms)),
        LinkKind::TimeSlots => words.push(format!("slots {} ms", link.interval_ms)),
        LinkKind::Constant | LinkKind::OneSided => {}
    }
    if let Some(beat_ms) = measured.beat_ms {
        words.push(format!("g {beat_ms:.3} ms, {:.1} slips", measured.slips));
        words.push(if declare.connection_interval { "declared" } else { "not declared" }.to_owned());
    }
    words.push(format!("stamps {} µs", host.resolution_ns / 1e3));
    let mut say = |is: bool, what: &str| {
        if is {
            words.push(what.to_owned());
        }
    };
    say(streams.len() > 1, &format!("{} streams", streams.len()));
    say(!device.ticks, "no ticks");
    say(device.jitter_ms > 0.0, &format!("jitter {:.2} ms", device.jitter_ms));
    say(host.batching_ms > 0.0, "batched");
    say(host.stalls_per_hour > 0.0, "stalls");
    say(host.tail_probability > 0.0, "tail");
    say(host.loss > 0.0, "loss");
    say(link.peripheral_latency > 0, "peripheral latency");
    say(link.late_entry, "late entry");
    say(exchanges.period_s > 0.0, "exchanges");
    say(markers.period_s > 0.0, "markers");
    words.join(", ")
}

type Family = (&'static str, fn(&Measured) -> bool);

fn on_a_grid(measured: &Measured) -> bool {
    matches!(measured.scenario.link.kind, LinkKind::ConnectionEvents | LinkKind::TimeSlots)
}

fn minutes(measured: &Measured) -> f64 {
    measured.scenario.duration_s / 60.0
}

const FAMILIES: [Family; 43] = [
    ("stamps ≤ 1 µs", |m| m.scenario.host.resolution_ns <= 1e3),
    ("stamps about 1 ms", |m| m.scenario.host.resolution_ns > 1e3),
    ("1 stream", |m| m.scenario.streams.len() == 1),
    ("2 streams", |m| m.scenario.streams.len() == 2),
    ("3 streams", |m| m.scenario.streams.len() == 3),
    ("ticks", |m| m.scenario.device.ticks),
    ("no ticks", |m| !m.scenario.device.ticks),
    ("interval declared", |m| on_a_grid(m) && m.scenario.declare.connection_interval),
    ("interval not declared", |m| on_a_grid(m) && !m.scenario.declare.connection_interval),
    ("connection events", |m| m.scenario.link.kind == LinkKind::ConnectionEvents),
    ("time slots", |m| m.scenario.link.kind == LinkKind::TimeSlots),
    ("no exchanges", |m| m.scenario.exchanges.period_s == 0.0),
    ("exchanges, replies dithered", |m| {
        m.scenario.exchanges.period_s > 0.0 && m.scenario.exchanges.reply_dither_ms > 0.0
    }),
    ("exchanges, not dithered", |m| {
        m.scenario.exchanges.period_s > 0.0 && m.scenario.exchanges.reply_dither_ms == 0.0
    }),
    ("no markers", |m| m.scenario.markers.period_s == 0.0),
    ("markers", |m| m.scenario.markers.period_s > 0.0),
    ("2 to 10 min", |m| minutes(m) < 10.0),
    ("10 to 30 min", |m| (10.0..30.0).contains(&minutes(m))),
    ("30 min to 2 h", |m| (30.0..120.0).contains(&minutes(m))),
    ("2 to 8 h", |m| minutes(m) >= 120.0),
    ("beat ≤ 1.5 ms", |m| m.beat_ms.is_some_and(|g| g <= 1.5)),
    ("beat 1.5 to 5 ms", |m| m.beat_ms.is_some_and(|g| g > 1.5 && g <= 5.0)),
    ("beat 5 to 10 ms", |m| m.beat_ms.is_some_and(|g| g > 5.0 && g <= 10.0)),
    ("beat > 10 ms", |m| m.beat_ms.is_some_and(|g| g > 10.0)),
    ("errors < 10 %", |m| m.scenario.link.error_rate < 0.1),
    ("errors 10 to 30 %", |m| m.scenario.link.error_rate >= 0.1),
    ("bursts of errors", |m| m.scenario.link.burst_probability > 0.0),
    ("fades", |m| m.scenario.link.fades_per_hour > 0.0),
    ("no device jitter", |m| m.scenario.device.jitter_ms == 0.0),
    ("device jitter ≤ 0.5 ms", |m| m.scenario.device.jitter_ms > 0.0 && m.scenario.device.jitter_ms <= 0.5),
    ("device jitter > 0.5 ms", |m| m.scenario.device.jitter_ms > 0.5),
    ("stack delay > 1 ms", |m| m.scenario.host.stack_delay_ms > 1.0),
    ("long tail", |m| m.scenario.host.tail_probability > 0.0),
    ("stalls", |m| m.scenario.host.stalls_per_hour > 0.0),
    ("batches", |m| m.scenario.host.batching_ms > 0.0),
    ("app loses packets", |m| m.scenario.host.loss > 0.0),
    ("duplicates", |m| m.scenario.host.duplicates > 0.0),
    ("reordering", |m| m.scenario.host.reordering > 0.0),
    ("peripheral latency", |m| m.scenario.link.peripheral_latency > 0),
    ("late entry", |m| on_a_grid(m) && m.scenario.link.late_entry),
    ("event closes on failure", |m| on_a_grid(m) && m.scenario.link.close_on_failure),
    ("warm-up > 3 ppm", |m| m.scenario.device.warm_up_ppm.abs() > 3.0),
    ("random walk > 2e-9 per √s", |m| m.scenario.device.random_walk_per_sqrt_s > 2e-9),
];

pub(crate) fn by_family(all: &[Measured]) {
    let headings: Vec<&str> = ["family"].into_iter().chain(Summary::HEADINGS).chain(["live held"]).collect();
    let mut table = Table::new("By family, all classes but the congested one, replayed:", &headings);
    for (name, belongs) in FAMILIES {
        let family = || all.iter().filter(|measured| measured.kind != Kind::Congested && belongs(measured));
        let summary = Summary::new(family().map(|measured| &measured.replayed[..]));
        let live = Summary::new(family().map(|measured| &measured.live[..]));
        table.row(&[vec![name.to_owned()], summary.cells(), vec![percent(live.held)]].concat());
    }
    println!("{table}");
}

/// What goes wrong, and how, at a time.
pub(crate) type FaultAt = fn(f64) -> Fault;

pub(crate) const FAULTS: [(&str, FaultAt); 15] = [
    ("reboot, off 5 s", |at_s| Fault::Reboot { at_s, off_s: 5.0 }),
    ("reboot, off 120 s", |at_s| Fault::Reboot { at_s, off_s: 120.0 }),
    ("reconnection after 4 s", |at_s| Fault::Disconnection { at_s, off_s: 4.0, interval_ms: None }),
    ("reconnection at 30 ms", |at_s| Fault::Disconnection { at_s, off_s: 4.0, interval_ms: Some(30.0) }),
    ("interval 15 → 11.25 ms", |at_s| Fault::IntervalChange { at_s, interval_ms: 11.25 }),
    ("interval 15 → 30 ms", |at_s| Fault::IntervalChange { at_s, interval_ms: 30.0 }),
    ("host clock +3 s", |at_s| Fault::HostStep { at_s, step_s: 3.0, return_after_s: None }),
    ("host clock −3 s", |at_s| Fault::HostStep { at_s, step_s: -3.0, return_after_s: None }),
    ("host clock +50 ms", |at_s| Fault::HostStep { at_s, step_s: 0.05, return_after_s: None }),
    ("host clock −50 ms", |at_s| Fault::HostStep { at_s, step_s: -0.05, return_after_s: None }),
    ("host clock +3 s, back after 120 s", |at_s| Fault::HostStep {
        at_s,
        step_s: 3.0,
        return_after_s: Some(120.0),
    }),
    ("host suspended 30 s", |at_s| Fault::HostSuspend { at_s, for_s: 30.0 }),
    ("device clock +0.5 s", |at_s| Fault::TickStep { at_s, step_s: 0.5 }),
    ("device clock −0.5 s", |at_s| Fault::TickStep { at_s, step_s: -0.5 }),
    ("outage of 120 s", |at_s| Fault::Silence { at_s, for_s: 120.0 }),
];

/// A half-hour session on a slipping link (packet period 20 ms, interval 15 ms, 25 ppm), with one fault.
pub(crate) fn faulty(seed: u64, fault: FaultAt) -> Draw {
    // Between a third and two thirds of the session, elsewhere for each seed.
    let fault_s = 600.0 + (seed.wrapping_mul(197) % 600) as f64;
    let scenario = Scenario {
        streams: vec![StreamScenario::default()],
        faults: vec![fault(fault_s)],
        ..Scenario::default()
    };
    Draw::with_fault(seed, scenario, fault_s)
}

/// Kinds of link that sessions with several faults take turns in.
const TURNS: [Kind; 5] = [Kind::Slipping, Kind::Partly, Kind::Locked, Kind::Constant, Kind::OneSided];
/// Between two faults of one session, s, at least.
const APART_S: f64 = 90.0;

/// A random session of half an hour to an hour in which two to five things go wrong, any after any.
pub(crate) fn several(seed: u64) -> Draw {
    let mut draw = Draw::random(seed, TURNS[(seed % 5) as usize], 3_600.0);
    let duration_s = draw.scenario.duration_s.max(1_800.0);
    draw.scenario.duration_s = duration_s;
    let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ 0x5bf0_3635;
    let mut random = |below: u64| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) % below
    };
    let count = 2 + random(4);
    let mut at_s = 60.0;
    for left in (1..=count).rev() {
        let room_s = (duration_s - 60.0 - at_s) / left as f64 - APART_S;
        at_s += APART_S + room_s.max(0.0) * random(1000) as f64 / 1000.0;
        let (_, fault) = FAULTS[random(FAULTS.len() as u64) as usize];
        draw.scenario.faults.push(fault(at_s));
        at_s += 120.0;
    }
    draw.scenario.faults.retain(|fault| fault.at_s() < duration_s - 30.0);
    // Only a radio with intervals can change them.
    if draw.scenario.link.kind != LinkKind::ConnectionEvents {
        draw.scenario.faults.retain(|fault| {
            !matches!(fault, Fault::IntervalChange { .. } | Fault::Disconnection { interval_ms: Some(_), .. })
        });
    }
    if !draw.scenario.device.ticks {
        draw.scenario.faults.retain(|fault| !matches!(fault, Fault::TickStep { .. }));
    }
    draw.fault_s = draw.scenario.faults.first().map_or(f64::INFINITY, Fault::at_s);
    draw
}

pub(crate) fn by_fault(seeds: &[u64], delay: Delay) {
    let headings: Vec<&str> = ["fault"]
        .into_iter()
        .chain(Summary::HEADINGS)
        .chain(["held within 60 s after", "live held", "live held within 60 s after", "live worst ÷ u95"])
        .collect();
    let mut table = Table::new(
        "Faults, one in a half-hour session each (packet period 20 ms, interval 15 ms, 25 ppm), replayed:",
        &headings,
    );
    for (name, fault) in FAULTS {
        let draws: Vec<Draw> = seeds.iter().map(|&seed| faulty(seed, fault)).collect();
        let all = measure(&draws, delay);
        let just_after = |answers: &[Answer]| -> Vec<Answer> {
            let after = |answer: &&Answer| (0.0..JUST_AFTER_S).contains(&answer.since_fault_s);
            answers.iter().filter(after).copied().collect()
        };
        let summary = Summary::new(all.iter().map(|measured| &measured.replayed[..]));
        let after: Vec<_> = all.iter().map(|measured| just_after(&measured.replayed)).collect();
        let live = Summary::new(all.iter().map(|measured| &measured.live[..]));
        let live_after: Vec<_> = all.iter().map(|measured| just_after(&measured.live)).collect();
        let held = |of: &[Vec<Answer>]| percent(Summary::new(of.iter().map(Vec::as_slice)).held);
        table.row(
            &[
                vec![name.to_owned()],
                summary.cells(),
                vec![held(&after), percent(live.held), held(&live_after), number(live.worst)],
            ]
            .concat(),
        );
    }
    println!("{table}");
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_fault_can_be_simulated() {
        for (name, fault) in FAULTS {
            faulty(7, fault).scenario.check().unwrap_or_else(|error| panic!("{name}: {error}"));
        }
        for seed in 1..=200 {
            several(seed).scenario.check().unwrap_or_else(|error| panic!("{seed}: {error}"));
        }
    }
}
