//! Measures the stated uncertainty and the error over many simulated recordings, and prints Markdown tables.
//!
//! `cargo run --release -p tickseam-tests --bin measure -- coverage`
//!
//! A seed and a class are a recording: the first line of the output can be pasted to make the same tables again, and each
//! of the worst recordings can be looked at alone. Progress goes to the terminal, if standard error is one.

mod accuracy;
mod coverage;
mod oracle;
mod places;
mod recording;
mod tables;

use std::process::ExitCode;

use clap::{Args, Parser, Subcommand};

use recording::{Delay, Draw, Kind};
use tickseam_tests::{matrix, on_all_cores};

#[derive(Parser)]
#[command(
    name = "measure",
    about = "Measures stated uncertainties and errors over many simulated recordings."
)]
struct Command {
    #[command(subcommand)]
    what: What,
}

#[derive(Subcommand)]
enum What {
    /// How often the stated interval holds the truth, and how wide it is: replayed and live, by class.
    Coverage {
        #[command(flatten)]
        chosen: Chosen,
        /// Also by family: stamps, streams, exchanges, lengths and more.
        #[arg(long)]
        families: bool,
        /// Instead, sessions in which one thing goes wrong; each fault over all seeds (1..=40 unless given).
        #[arg(long, conflicts_with_all = ["families", "class"])]
        faults: bool,
        /// Instead, random sessions in which two to five things go wrong (1..=100 unless given).
        #[arg(long, conflicts_with_all = ["families", "class", "faults"])]
        several: bool,
        /// How many of the worst recordings of each class are named.
        #[arg(long, default_value_t = 4)]
        worst: usize,
    },
    /// Packets that are not placed where the device made them, without estimating anything.
    Places {
        #[command(flatten)]
        chosen: Chosen,
        /// Instead, sessions in which one thing goes wrong; each fault over all seeds (1..=40 unless given).
        #[arg(long, conflicts_with = "class")]
        faults: bool,
        /// Also the recordings with all packets in place: their digests tell whether two builds place them alike.
        #[arg(long)]
        all: bool,
    },
    /// Errors beside those of simpler ways, on the same recordings.
    Accuracy {
        #[command(flatten)]
        chosen: Chosen,
    },
    /// How far from what is possible, on slipping links with packet period ≥ interval.
    Oracle {
        /// Seeds, `FROM..TO` or `FROM..=TO`.
        #[arg(long, default_value = "1..=150", value_parser = seeds)]
        seeds: Seeds,
    },
    /// The fault matrix: numbered scenarios and their limits.
    Scenarios {
        /// How many seeds of each scenario.
        #[arg(long, default_value_t = 200, value_parser = clap::value_parser!(u64).range(1..))]
        seeds: u64,
        /// The first seed.
        #[arg(long, default_value_t = 1)]
        first: u64,
        /// Instead, renew the committed table of outcomes.
        #[arg(long, conflicts_with_all = ["seeds", "first", "names"])]
        write: bool,
        /// Scenarios whose names contain one of these; all where there are none.
        names: Vec<String>,
    },
}

#[derive(Args)]
struct Chosen {
    /// Seeds, `FROM..TO` or `FROM..=TO`; without a class, one after the other goes to each. 1..=1050 unless given.
    #[arg(long, value_parser = seeds)]
    seeds: Option<Seeds>,
    /// All seeds in this class.
    #[arg(long)]
    class: Option<Kind>,
    /// Recordings are told their true fixed delay, instead of one with an error and its uncertainty.
    #[arg(long, conflicts_with = "no_delay")]
    true_delay: bool,
    /// Recordings are told no fixed delay; it is taken off before errors are counted, where an answer says that it excludes it.
    #[arg(long)]
    no_delay: bool,
    /// Cuts longer recordings off, s.
    #[arg(long, default_value_t = f64::INFINITY)]
    longest_s: f64,
}

impl Chosen {
    const fn delay(&self) -> Delay {
        if self.true_delay {
            Delay::True
        } else if self.no_delay {
            Delay::Untold
        } else {
            Delay::Declared
        }
    }

    /// What follows the seeds on a command line that makes the same recordings.
    fn arguments(&self) -> String {
        let mut arguments = String::new();
        if self.true_delay {
            arguments += " --true-delay";
        }
        if self.no_delay {
            arguments += " --no-delay";
        }
        if self.longest_s.is_finite() {
            arguments += &format!(" --longest-s {}", self.longest_s);
        }
        arguments
    }

    fn seeds(&self) -> Seeds {
        self.seeds.unwrap_or(Seeds { from: 1, to: 1050 })
    }

    fn draws(&self) -> Vec<Draw> {
        let seeds: Vec<u64> = self.seeds().all().collect();
        let kind = |seed: u64| {
            let turn = (seed % Kind::ALL.len() as u64) as usize;
            self.class.unwrap_or(Kind::ALL[turn])
        };
        on_all_cores(&seeds, |&seed| Draw::random(seed, kind(seed), self.longest_s))
    }
}

/// A range of seeds, both ends included.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Seeds {
    from: u64,
    to: u64,
}

impl Seeds {
    fn all(self) -> impl Iterator<Item = u64> {
        self.from..=self.to
    }
}

impl std::fmt::Display for Seeds {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}..={}", self.from, self.to)
    }
}

fn seeds(text: &str) -> Result<Seeds, String> {
    let expected = || format!("expected FROM..TO or FROM..=TO with FROM below TO, found {text}");
    let (from, to) = text.split_once("..").ok_or_else(expected)?;
    let (to, excluded) = to.strip_prefix('=').map_or((to, 1), |to| (to, 0));
    let from: u64 = from.parse().map_err(|_| expected())?;
    let to: u64 = to.parse().map_err(|_| expected())?;
    let to = to.checked_sub(excluded).filter(|&to| to >= from).ok_or_else(expected)?;
    Ok(Seeds { from, to })
}

fn main() -> ExitCode {
    match Command::parse().what {
        What::Scenarios { seeds, first, write, names } => {
            match matrix::run_all(&matrix::Options { seeds, first, names, write }) {
                Ok(true) => {}
                Ok(false) => return ExitCode::FAILURE,
                Err(why) => {
                    eprintln!("scenarios: {why}");
                    return ExitCode::from(2);
                }
            }
        }
        what => run(&what),
    }
    ExitCode::SUCCESS
}

fn run(what: &What) {
    let shown = |verb: &str, seeds: Seeds, arguments: &str| {
        println!(
            "`cargo run --release -p tickseam-tests --bin measure -- {verb} --seeds {seeds}{arguments}`\n"
        );
    };
    let class = |chosen: &Chosen| {
        chosen.class.map_or_else(String::new, |kind| format!(" --class {}", kind.argument()))
    };
    match what {
        What::Scenarios { .. } => {}
        What::Coverage { chosen, faults: true, .. } => {
            let seeds = chosen.seeds.unwrap_or(Seeds { from: 1, to: 40 });
            shown("coverage --faults", seeds, &chosen.arguments());
            coverage::by_fault(&seeds.all().collect::<Vec<_>>(), chosen.delay());
        }
        What::Coverage { chosen, several: true, worst, .. } => {
            let seeds = chosen.seeds.unwrap_or(Seeds { from: 1, to: 100 });
            shown("coverage --several", seeds, &chosen.arguments());
            let draws: Vec<Draw> = seeds.all().map(coverage::several).collect();
            coverage::by_class(&coverage::measure(&draws, chosen.delay()), &chosen.arguments(), *worst);
        }
        What::Coverage { chosen, families, worst, .. } => {
            let verb = if *families { "coverage --families" } else { "coverage" };
            shown(verb, chosen.seeds(), &(class(chosen) + &chosen.arguments()));
            let all = coverage::measure(&chosen.draws(), chosen.delay());
            coverage::by_class(&all, &chosen.arguments(), *worst);
            if *families {
                coverage::by_family(&all);
            }
        }
        What::Places { chosen, faults: true, all } => {
            let seeds = chosen.seeds.unwrap_or(Seeds { from: 1, to: 40 });
            shown("places --faults", seeds, "");
            for (name, fault) in coverage::FAULTS {
                let draws: Vec<Draw> = seeds.all().map(|seed| coverage::faulty(seed, fault)).collect();
                places::table(name, &draws, *all);
            }
        }
        What::Places { chosen, all, .. } => {
            shown("places", chosen.seeds(), &class(chosen));
            places::table("Not as made:", &chosen.draws(), *all);
        }
        What::Accuracy { chosen } => {
            shown("accuracy", chosen.seeds(), &(class(chosen) + &chosen.arguments()));
            accuracy::table(&accuracy::compare(&chosen.draws(), chosen.delay()));
        }
        What::Oracle { seeds } => {
            shown("oracle", *seeds, "");
            let seeds: Vec<u64> = seeds.all().collect();
            let draws = on_all_cores(&seeds, |&seed| Draw::random(seed, Kind::Slipping, f64::INFINITY));
            oracle::table(&oracle::compare(&draws));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn seeds_are_read_as_rust_writes_ranges() {
        assert_eq!(seeds("1..=3"), Ok(Seeds { from: 1, to: 3 }));
        assert_eq!(seeds("1..3"), Ok(Seeds { from: 1, to: 2 }));
        assert_eq!(seeds(&Seeds { from: 5, to: 5 }.to_string()), Ok(Seeds { from: 5, to: 5 }));
        for wrong in ["", "7", "3..3", "5..=4", "a..b", "0..0"] {
            assert!(seeds(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn each_class_can_be_measured() {
        let chosen = Chosen {
            seeds: Some(Seeds { from: 1, to: 7 }),
            class: None,
            true_delay: true,
            no_delay: false,
            longest_s: 240.0,
        };
        let draws = chosen.draws();
        for measured in coverage::measure(&draws, Delay::True) {
            assert!((270..=335).contains(&measured.replayed.len()), "seed {}", measured.seed);
            assert!(measured.live.len() > 200, "seed {}: {}", measured.seed, measured.live.len());
            // Answers against another event's truth would be off by the spacing of the events, most of them by many of
            // those; only a link that never empties its queue may be late by that.
            let most_ms = if measured.kind == Kind::Congested { 20_000.0 } else { 500.0 };
            for answer in &measured.replayed {
                let error_ms = answer.error_ms.expect("nothing restarts");
                assert!(
                    error_ms.abs() < most_ms && answer.u95_ms > 0.0,
                    "seed {}: {answer:?}",
                    measured.seed
                );
            }
        }
    }

    #[test]
    fn peers_get_the_same_clock_as_the_truth_has() {
        // On a link that is always equally slow, all lines are exact but for stamps and device jitter.
        let chosen = Chosen {
            seeds: Some(Seeds { from: 1, to: 4 }),
            class: Some(Kind::Constant),
            true_delay: true,
            no_delay: false,
            longest_s: 240.0,
        };
        for draw in chosen.draws() {
            let mut draw = draw;
            draw.scenario.host =
                tickseam_sim::scenario::HostScenario { stack_delay_ms: 0.0, ..Default::default() };
            draw.scenario.device.jitter_ms = 0.0;
            draw.scenario.device.warm_up_ppm = 0.0;
            let session = recording::Session::new(&draw, Delay::True);
            let (frame, arrivals) = session.arrivals(&draw);
            let seen = tickseam_cli::peers::Seen {
                frame,
                arrivals: &arrivals,
                round_trips: &[],
                fixed_delay_us: session.fixed_delay_ms * 1e3,
            };
            let clock = seen.by(tickseam_cli::peers::Peer::LeastSquares).expect("there are arrivals");
            for (host_ns, true_s) in session.true_onsets() {
                let error_ms = (clock.onset_s(host_ns, 0.0).expect("a line") - true_s) * 1e3;
                assert!(error_ms.abs() < 0.02, "seed {}: {error_ms} ms", draw.seed);
            }
        }
    }
}
