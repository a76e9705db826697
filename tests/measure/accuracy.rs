//! Errors beside those of simpler ways, on the same recordings.

use tickseam_cli::peers::{Peer, Seen};
use tickseam_tests::on_all_cores;

use crate::recording::{Delay, Draw, Kind, Session};
use crate::tables::{Errors, Table, mean, number, percent};

/// One recording's errors, ms.
pub(crate) struct Compared {
    kind: Kind,
    placed: Vec<f64>,
    live: Vec<f64>,
    /// In the order of [`Peer::ALL`]; `None` for a peer that had nothing to go by.
    peers: Vec<Option<Vec<f64>>>,
    /// One sample of the reference stream, ms.
    sample_ms: f64,
}

pub(crate) fn compare(draws: &[Draw], delay: Delay) -> Vec<Compared> {
    on_all_cores(draws, |draw| {
        let session = Session::new(draw, delay);
        let measured = session.measured(draw);
        let (frame, arrivals) = session.arrivals(draw);
        let round_trips = session.round_trips(draw, &frame);
        let seen = Seen {
            frame,
            arrivals: &arrivals,
            round_trips: &round_trips,
            fixed_delay_us: session.fixed_delay_ms * 1e3,
        };
        let instants = session.true_onsets();
        let by_peer = |peer: Peer| {
            let clock = seen.by(peer)?;
            let errors = instants
                .iter()
                .filter_map(|&(host_ns, true_s)| Some((clock.onset_s(host_ns, 0.0)? - true_s) * 1e3));
            Some(errors.collect())
        };
        Compared {
            kind: measured.kind,
            placed: measured.replayed.iter().filter_map(|answer| answer.error_ms).collect(),
            live: measured.live.iter().filter_map(|answer| answer.error_ms).collect(),
            peers: Peer::ALL.into_iter().map(by_peer).collect(),
            sample_ms: 1e3 / draw.scenario.streams[0].rate_hz,
        }
    })
}

/// Percentiles that the table shows.
const PERCENTILES: [usize; 3] = [50, 95, 99];

fn cells(errors: &Errors, against: Option<&Errors>) -> Vec<String> {
    let cell = |percentile: usize| {
        let ms = errors.percentile_ms(percentile);
        let beaten = against.is_some_and(|against| ms < against.percentile_ms(percentile));
        format!("{}{}", number(ms), if beaten { " !" } else { "" })
    };
    let rms_ms = errors.rms_ms();
    let beaten = against.is_some_and(|against| rms_ms < against.rms_ms());
    PERCENTILES
        .into_iter()
        .map(cell)
        .chain([format!("{}{}", number(rms_ms), if beaten { " !" } else { "" })])
        .collect()
}

pub(crate) fn table(all: &[Compared]) {
    let headings = ["class", "way", "recordings", "p50 ms", "p95 ms", "p99 ms", "RMS ms", "better in"];
    let mut table = Table::new(
        "|error| of each way, all instants of a class together; `!` where a peer is better; better in: share of \
             recordings in which the peer's RMS error is the smaller one:",
        &headings,
    );
    for kind in Kind::ALL {
        let of_kind: Vec<&Compared> = all.iter().filter(|compared| compared.kind == kind).collect();
        if of_kind.is_empty() {
            continue;
        }
        let mut row = |way: &str, recordings: usize, cells: Vec<String>| {
            let head = vec![kind.name().to_owned(), way.to_owned(), recordings.to_string()];
            table.row(&[head, cells].concat());
        };
        let placed = Errors::new(of_kind.iter().flat_map(|compared| compared.placed.iter().copied()));
        let none = || vec!["–".to_owned()];
        row("**replayed**", of_kind.len(), [cells(&placed, None), none()].concat());
        let live = Errors::new(of_kind.iter().flat_map(|compared| compared.live.iter().copied()));
        row("live, from the start", of_kind.len(), [cells(&live, None), none()].concat());
        for (place, peer) in Peer::ALL.into_iter().enumerate() {
            let having = || of_kind.iter().filter(move |compared| compared.peers[place].is_some());
            let errors =
                Errors::new(having().flat_map(|compared| compared.peers[place].iter().flatten().copied()));
            if errors.is_empty() {
                continue;
            }
            let count = having().count();
            // Recordings in which the peer's RMS error is the smaller one.
            let rms_ms = |errors: &[f64]| Errors::new(errors.iter().copied()).rms_ms();
            let better = having().filter(|compared| {
                compared.peers[place].as_deref().is_some_and(|peer| rms_ms(peer) < rms_ms(&compared.placed))
            });
            let better = vec![percent(better.count() as f64 / count as f64)];
            if count == of_kind.len() {
                row(peer.name(), count, [cells(&errors, Some(&placed)), better].concat());
            } else {
                // Only like is compared with like.
                let same = Errors::new(having().flat_map(|compared| compared.placed.iter().copied()));
                row("**replayed**, those with exchanges", count, [cells(&same, None), none()].concat());
                row(peer.name(), count, [cells(&errors, Some(&same)), better].concat());
            }
        }
    }
    println!("{table}");
    for kind in [Kind::Slipping, Kind::SlippingMany] {
        let fine = all.iter().filter(|compared| compared.kind == kind).map(|compared| {
            let wired_ms = compared.sample_ms / 12.0_f64.sqrt();
            let rms_ms = Errors::new(compared.placed.iter().copied()).rms_ms();
            f64::from(u8::from(rms_ms <= wired_ms / 4.0))
        });
        println!(
            "{}: {} of the recordings have an RMS error of at most a quarter of what a wired trigger's sampling alone leaves, \
             1/(fs·√12).",
            kind.name(),
            percent(mean(fine))
        );
    }
}
