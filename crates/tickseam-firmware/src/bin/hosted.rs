//! The run where there is an operating system: prints its rows and sums.

use std::process::ExitCode;

use tickseam_firmware::{Printer, Row, Sum, parts, session};

fn main() -> ExitCode {
    let mut printer = Printer(|row: &Row| println!("{row}"));
    let sums = [("parts", parts::run(&mut printer)), ("session", session::run(&mut printer))];
    for (by, sum) in sums {
        let Some(sum) = sum.map(Sum::value) else { return ExitCode::FAILURE };
        println!("sum {by} {sum:016x}");
    }
    ExitCode::SUCCESS
}
