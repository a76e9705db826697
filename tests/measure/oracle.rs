//! How far from what is possible, in one class.

use tickseam_tests::on_all_cores;

use crate::recording::{Delay, Draw, Kind, Session};
use crate::tables::{Errors, Table, median, number};

/// What the oracle knows and what it does with it.
const ASSUMPTIONS: &str = "\
The oracle is given the true clock of the headset but for a constant: every rate, warm-up and wander; and the true fixed delay.
For that constant it takes the least of (stamp − true time of the first sample − fixed delay) over the packets of the reference
stream: its error is the least wait that the link offered, always to one side. *By stretch*: a constant for each stretch as long
as a slip of the beat takes on the mean, or a minute if that is longer. *At once*: one constant for the whole recording. Left
out are recordings whose stamps are coarser than a microsecond. Neither uses a lower bound, so they are yardsticks and no bounds.
The estimate beside them is the replayed one, given the true fixed delay but not the clock.";

/// Shortest stretch that gets a constant of its own, s.
const STRETCH_S: f64 = 60.0;

/// One recording's errors, ms.
pub(crate) struct Beside {
    beat_ms: f64,
    by_stretch: Vec<f64>,
    at_once_ms: f64,
    placed: Vec<f64>,
    u95_ms: Vec<f64>,
}

pub(crate) fn compare(draws: &[Draw]) -> Vec<Beside> {
    let fine: Vec<Draw> =
        draws.iter().filter(|draw| draw.scenario.host.resolution_ns <= 1e3).cloned().collect();
    let all = on_all_cores(&fine, |draw| {
        let session = Session::new(draw, Delay::True);
        let measured = session.measured(draw);
        let beat_ms = measured.beat_ms.filter(|_| measured.kind == Kind::Slipping)?;
        let duration_s = draw.scenario.duration_s;
        let windows = (measured.slips.min(duration_s / STRETCH_S) as usize).max(1);
        let window_s = duration_s / windows as f64;
        let origin_ns = draw.scenario.host.origin_ns;
        let window = |at_s: f64| ((at_s / window_s).max(0.0) as usize).min(windows - 1);
        let mut least = vec![f64::INFINITY; windows];
        let simulated = &session.simulated;
        for (packet, &true_s) in simulated.packets.iter().zip(&simulated.truth.first_sample_s) {
            if packet.stream == 0 {
                let late_ms =
                    (packet.host_ns - origin_ns) as f64 / 1e6 - true_s * 1e3 - session.fixed_delay_ms;
                let least = &mut least[window(true_s)];
                *least = least.min(late_ms);
            }
        }
        let first = simulated.packets.first()?;
        let first_s = (first.host_ns - origin_ns) as f64 / 1e9;
        let by_stretch = measured.replayed.iter().map(|answer| least[window(answer.at_s + first_s)]);
        Some(Beside {
            beat_ms,
            by_stretch: by_stretch.filter(|ms| ms.is_finite()).collect(),
            at_once_ms: least.iter().copied().fold(f64::INFINITY, f64::min),
            placed: measured.replayed.iter().filter_map(|answer| answer.error_ms).collect(),
            u95_ms: measured.replayed.iter().map(|answer| answer.u95_ms).collect(),
        })
    });
    all.into_iter().flatten().collect()
}

const BANDS: [(&str, f64, f64); 5] = [
    ("beat ≤ 0.5 ms", 0.0, 0.5),
    ("beat 0.5 to 1.5 ms", 0.5, 1.5),
    ("beat 1.5 to 5 ms", 1.5, 5.0),
    ("beat > 5 ms", 5.0, f64::INFINITY),
    ("all", 0.0, f64::INFINITY),
];

pub(crate) fn table(all: &[Beside]) {
    println!("{ASSUMPTIONS}\n");
    let headings = [
        "slipping, P ≥ C",
        "recordings",
        "oracle at once, RMS ms",
        "oracle by stretch, RMS ms",
        "p99 ms",
        "replayed RMS ms",
        "p99 ms",
        "replayed RMS ÷ oracle's by stretch, median recording",
        "replayed median u95 ms",
    ];
    let mut table = Table::new("Beside the oracle:", &headings);
    for (name, above_ms, up_to_ms) in BANDS {
        let band = || all.iter().filter(|beside| beside.beat_ms > above_ms && beside.beat_ms <= up_to_ms);
        let at_once = Errors::new(band().map(|beside| beside.at_once_ms));
        let by_stretch = Errors::new(band().flat_map(|beside| beside.by_stretch.iter().copied()));
        let placed = Errors::new(band().flat_map(|beside| beside.placed.iter().copied()));
        let rms_ms = |errors: &[f64]| Errors::new(errors.iter().copied()).rms_ms();
        let ratios = band().map(|beside| rms_ms(&beside.placed) / rms_ms(&beside.by_stretch)).collect();
        let u95_ms = band().flat_map(|beside| beside.u95_ms.iter().copied()).collect();
        table.row(&[
            name.to_owned(),
            band().count().to_string(),
            number(at_once.rms_ms()),
            number(by_stretch.rms_ms()),
            number(by_stretch.percentile_ms(99)),
            number(placed.rms_ms()),
            number(placed.percentile_ms(99)),
            number(median(ratios)),
            number(median(u95_ms)),
        ]);
    }
    println!("{table}");
}
