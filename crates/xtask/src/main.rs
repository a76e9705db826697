//! Jobs of the C interface, the bindings and the core on a chip:
//! `cargo xtask header|abi|panic-audit|c-tests|python-tests|open-formats|java-tests|page-check|swift-check|cross|dist|firmware|bits|
//! scenarios|supply|api|sanitize|coverage|mutants`.

mod abi;
mod api;
mod audit;
mod bits;
mod c_tests;
mod chips;
mod coverage;
mod cross;
mod dist;
mod firmware;
mod header;
mod java_tests;
mod mutants;
mod open_formats;
mod page_check;
mod python;
mod sanitize;
mod scenarios;
mod supply;
mod swift_check;
mod tools;

use std::process::ExitCode;

const USAGE: &str = "\
cargo xtask header [--check]      writes include/tickseam.h; with --check compares it
cargo xtask abi [--check]         writes include/tickseam.abi, the symbols, sizes and offsets; with --check compares them
cargo xtask panic-audit           links the bare static library so that a reachable panic breaks the link; prints its text size
cargo xtask c-tests [--all]       compiles and runs the C programs; with --all also with clang, sanitizers, valgrind, pkg-config
                                  and CMake, planted faults that these have to catch, and the programs of the C++ binding
cargo xtask coverage [--branches] which lines of the core its tests run; fails below 97 %; with --branches also branches, on a nightly
                                  compiler; LLVM_COV and LLVM_PROFDATA name LLVM's tools (default: Debian's llvm-22)
cargo xtask sanitize              the core's tests under the address sanitizer and, where there is one, Miri, by a nightly compiler
cargo xtask mutants [--count N] [--seed SEED] [--until TRY]
                                  changes the core in N places (default: 150), one at a time, which the tests have to notice: own ones, the
                                  table of bits, other answers, those outside, until one of these is named (own, bits, answers, outside);
                                  hours
cargo xtask python-tests          builds the Python wheel, installs it into a fresh environment and runs its tests there; PYTHON
                                  names the interpreter (default: python3)
cargo xtask open-formats          runs tests/open_formats/check_*.py on the command, in a fresh environment of other people's readers,
                                  writers and validators; PYTHON as for python-tests
cargo xtask java-tests [--speed]  builds and tests the Java binding; with --speed measures one observed packet against C
cargo xtask page-check            opens the pages that the command writes in headless Chromium, at the width of a desktop and of a
                                  phone: nothing may overflow or be fetched; CHROMIUM names the browser (default: chromium)
cargo xtask scenarios [--seeds N] [--first SEED] [--write] [NAME...]
                                  runs the numbered scenarios of tests/scenarios over many seeds (default: 200) and holds them against
                                  their limits; NAME, or a part of one, chooses; with --write renews tests/scenarios/outcome.csv
cargo xtask swift-check           the Swift package's module map and C names, by clang: nothing compiles its Swift
cargo xtask cross                 builds the static library for other processors, runs the C tests of three of them under qemu,
                                  and audits one for panics; TICKSEAM_CROSS as for dist
cargo xtask dist [--target T] [--out DIR]
                                  lays out include/ lib/ share/ for a target (default: this machine)
cargo xtask firmware [--check]    runs the core on a Cortex-M under QEMU, compares its answers bit for bit with this machine's, and
                                  writes crates/tickseam-firmware/budget.toml; with --check fails where a value has grown; TICKSEAM_CROSS as for dist
cargo xtask bits                  runs the core on nine processors, by QEMU and Node; fails where one gives other bits
cargo xtask supply [--all]        every crate states the same oldest Rust, and the core has two dependencies and no build script; with
                                  --all also licences, crates that come twice and their sources by cargo-deny (deny.toml), and a build
                                  with the oldest versions that the manifests name (needs that Rust and a nightly one by rustup)
cargo xtask api --check|--write   compares what Rust programs can name of the crates with crates/*/public-api.txt, or writes it anew;
                                  by cargo-public-api and a nightly compiler: without them the check is SKIPPED, and says so";

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    let done = match words.as_slice() {
        ["header"] => header::write(),
        ["header", "--check"] => header::check(),
        ["abi"] => abi::write(),
        ["abi", "--check"] => abi::check(),
        ["panic-audit"] => audit::run(),
        ["c-tests"] => c_tests::run_all(false),
        ["c-tests", "--all"] => c_tests::run_all(true),
        ["coverage"] => coverage::run_all(false),
        ["coverage", "--branches"] => coverage::run_all(true),
        ["sanitize"] => sanitize::run_all(),
        ["mutants", options @ ..] => mutants::run_all(options),
        ["python-tests"] => python::run_all(),
        ["open-formats"] => open_formats::run_all(),
        ["java-tests"] => java_tests::run_all(false),
        ["java-tests", "--speed"] => java_tests::run_all(true),
        ["page-check"] => page_check::run_all(),
        ["scenarios", options @ ..] => scenarios::run(options),
        ["swift-check"] => swift_check::run_all(),
        ["cross"] => cross::run_all(),
        ["firmware"] => firmware::run_all(false),
        ["firmware", "--check"] => firmware::run_all(true),
        ["bits"] => bits::run_all(),
        ["api", "--check"] => api::check(),
        ["api", "--write"] => api::write(),
        ["supply"] => supply::manifests(),
        ["supply", "--all"] => {
            supply::manifests().and_then(|()| supply::licences()).and_then(|()| supply::oldest_versions())
        }
        ["dist", options @ ..] => dist::run(options),
        _ => {
            eprintln!("{USAGE}");
            return ExitCode::from(2);
        }
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("xtask: {why}");
            ExitCode::FAILURE
        }
    }
}
