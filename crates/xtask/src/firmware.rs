//! The core on a chip: the same answers as here, bit for bit, and what it takes there, held to `crates/tickseam-firmware/budget.toml`.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;
use std::process::Command;

use crate::chips::{self, CORTEX_M0, CORTEX_M4F, Processor, RISC_V, hosted, on_cortex_m, sums};
use crate::tools::{Done, read, run, write};

/// What a value may grow by before it has to be looked at, percent.
const GROWTH_PERCENT: u64 = 3;
/// Fewer rows say that the run ended early.
const ROWS: usize = 200;
const PROGRAMS: [&str; 4] = ["qemu-system-arm", "ld.lld-22", "size", "timeout"];
const HEAD: &str = "\
# What the core takes on a chip; `cargo xtask firmware --check` fails where a value has grown by more than 3 %, and says so where one has
# shrunk as much. Renewed by `cargo xtask firmware`. Bytes as linked, what nobody calls dropped, optimised for size; stack from the caller's
# frame down, painted; instructions, not cycles, counted by QEMU. The Cortex-M0+ program is counted on a board with a Cortex-M3.
# parts: intake and live estimator alone; session: with the packets that are settled late, and the host's clock.
";

/// Values by name.
type Measured = BTreeMap<String, u64>;

/// A processor, the board that its program runs on, and its heading in the budget.
const CHIPS: [(Processor, &str, &str); 2] =
    [(CORTEX_M4F, "mps2-an386", "cortex-m4f"), (CORTEX_M0, "mps2-an385", "cortex-m0plus")];
/// Built, as nothing here could run or has room for them.
const BUILT_ONLY: [Processor; 2] = [
    Processor { target: "thumbv8m.main-none-eabihf", linker: "ld.lld-22", feature: Some("cortex-m") },
    RISC_V,
];

/// The bytes of a program's sections that lie in flash, and those in memory.
fn sizes(program: &Path) -> Done<[u64; 2]> {
    let (mut flash, mut memory) = (0, 0);
    for line in run(Command::new("size").arg("-A").arg(program))?.lines() {
        let mut words = line.split_whitespace();
        let (Some(section), Some(bytes)) = (words.next(), words.next()) else { continue };
        let Ok(bytes) = bytes.parse::<u64>() else { continue };
        if [".vector_table", ".text", ".rodata", ".data"].contains(&section) {
            flash += bytes;
        }
        if [".data", ".bss", ".uninit"].contains(&section) {
            memory += bytes;
        }
    }
    if flash == 0 { Err(format!("{}: no section with code", program.display())) } else { Ok([flash, memory]) }
}

/// Fails where the chip did not answer what this machine did, row for row.
fn same_rows(here: &str, there: &str) -> Done<usize> {
    let rows = |printed: &str| -> Vec<String> {
        let row = |line: &&str| ["parts ", "session "].iter().any(|by| line.starts_with(by));
        printed.lines().filter(row).map(str::to_owned).collect()
    };
    let (here_rows, there_rows) = (rows(here), rows(there));
    for (a, b) in here_rows.iter().zip(&there_rows) {
        if a != b {
            return Err(format!("here\n  {a}\nbut on the chip\n  {b}"));
        }
    }
    if here_rows.len() != there_rows.len() || here_rows.len() < ROWS {
        return Err(format!("{} rows here, {} on the chip", here_rows.len(), there_rows.len()));
    }
    let (here, there) = (sums(here)?, sums(there)?);
    if here == there {
        Ok(here_rows.len())
    } else {
        Err(format!("sums {here:?} here, {there:?} on the chip"))
    }
}

/// What the programs for one chip take.
fn measure(chip: &(Processor, &str, &str), here: &str) -> Done<Measured> {
    let (processor, board, name) = *chip;
    let mut measured = Measured::new();
    for by in ["parts", "session"] {
        let [flash, memory] = sizes(&processor.build(&format!("footprint-{by}"))?)?;
        measured.insert(format!("{name}.{by}.flash_bytes"), flash);
        measured.insert(format!("{name}.{by}.static_bytes"), memory);
    }
    let printed = on_cortex_m(board, &processor.build("cortex-m")?)?;
    let rows = same_rows(here, &printed).map_err(|why| format!("{name}: {why}"))?;
    println!("{name} ({board}): {rows} placements and the sums over all answers, the same bits as here");
    for line in printed.lines().filter_map(|line| line.strip_prefix("measured ")) {
        let (key, value) = line.split_once(' ').ok_or_else(|| format!("what is {line}?"))?;
        let value = value.trim().parse().map_err(|error| format!("{line}: {error}"))?;
        measured.insert(format!("{name}.{key}"), value);
    }
    let control = printed.lines().find_map(|line| line.strip_prefix("control ")?.trim().parse::<u64>().ok());
    match control {
        // The loads of the call itself are a few.
        Some(990..=1_010) => Ok(measured),
        other => Err(format!("{name}: a thousand instructions were counted as {other:?}")),
    }
}

/// The values as the budget file has them.
fn written(measured: &Measured) -> String {
    let mut text = HEAD.to_owned();
    let mut heading = String::new();
    for (key, value) in measured {
        let Some((table, name)) = key.rsplit_once('.') else { continue };
        if table != heading {
            table.clone_into(&mut heading);
            let _ = writeln!(text, "\n[{table}]");
        }
        let _ = writeln!(text, "{name} = {value}");
    }
    text
}

/// The values of a budget file.
fn budget(text: &str) -> Done<Measured> {
    let mut values = Measured::new();
    let mut heading = String::new();
    for line in text.lines().map(str::trim).filter(|line| !line.is_empty() && !line.starts_with('#')) {
        if let Some(table) = line.strip_prefix('[').and_then(|line| line.strip_suffix(']')) {
            table.clone_into(&mut heading);
            continue;
        }
        let (name, value) = line.split_once(" = ").ok_or_else(|| format!("budget.toml: what is {line}?"))?;
        let value = value.parse().map_err(|error| format!("budget.toml: {line}: {error}"))?;
        values.insert(format!("{heading}.{name}"), value);
    }
    Ok(values)
}

/// Values that are beyond what the budget allows them, and those that have become small enough for a new budget.
fn compared(allowed: &Measured, found: &Measured) -> Done<(Vec<String>, Vec<String>)> {
    if !allowed.keys().eq(found.keys()) {
        return Err(
            "budget.toml does not name what is measured; renew it with `cargo xtask firmware`".to_owned()
        );
    }
    let (mut grown, mut shrunk) = (Vec::new(), Vec::new());
    for ((key, allowed), found) in allowed.iter().zip(found.values()) {
        let line = format!("{key}: {found}, budget {allowed}");
        if found * 100 > allowed * (100 + GROWTH_PERCENT) {
            grown.push(line);
        } else if found * (100 + GROWTH_PERCENT) < allowed * 100 {
            shrunk.push(line);
        }
    }
    Ok((grown, shrunk))
}

pub(crate) fn run_all(check: bool) -> Done {
    chips::needed(&PROGRAMS)?;
    let here = hosted(true)?;
    let mut found = Measured::new();
    for chip in &CHIPS {
        found.append(&mut measure(chip, &here)?);
    }
    for processor in &BUILT_ONLY {
        processor.build_core()?;
        println!("{}: built; not run here", processor.target);
    }
    let text = written(&found);
    let path = chips::folder().join("budget.toml");
    if !check {
        print!("{}", text.strip_prefix(HEAD).unwrap_or(&text));
        return write(&path, &text);
    }
    let allowed = budget(&read(&path)?)?;
    let (grown, shrunk) = compared(&allowed, &found)?;
    shrunk.iter().for_each(|line| println!("smaller than its budget, which may be renewed: {line}"));
    if grown.is_empty() {
        println!("{} values within {GROWTH_PERCENT} % of their budget", found.len());
        Ok(())
    } else {
        Err(format!("grown by more than {GROWTH_PERCENT} %:\n{}", grown.join("\n")))
    }
}

#[cfg(test)]
mod tests {
    use super::{Measured, budget, compared, same_rows, written};

    fn measured(value: u64) -> Measured {
        Measured::from([("chip.parts.a".to_owned(), value), ("chip.session.b".to_owned(), 10)])
    }

    #[test]
    fn a_budget_is_read_as_it_was_written() {
        assert_eq!(budget(&written(&measured(7))).unwrap(), measured(7));
    }

    #[test]
    fn growth_beyond_the_tolerance_is_found_and_nothing_else() {
        let grown = |found| compared(&measured(1_000), &measured(found)).unwrap();
        assert_eq!(grown(1_030), (vec![], vec![]));
        assert_eq!(grown(1_031).0.len(), 1);
        assert_eq!(grown(970).1.len(), 1);
        assert!(compared(&measured(1), &Measured::new()).is_err());
    }

    #[test]
    fn one_other_bit_on_the_chip_is_seen() {
        let run = |last: &str| {
            let rows: String = (0..200).map(|row| format!("parts {row} 0 {last}\n")).collect();
            format!("{rows}sum parts 0123456789abcdef\nsum session 0123456789abcdef\n")
        };
        assert_eq!(same_rows(&run("40"), &run("40")), Ok(200));
        assert!(same_rows(&run("40"), &run("41")).is_err());
        assert!(same_rows(&run("40"), "").is_err());
        assert!(same_rows(&run("40"), &run("40").replace("f\n", "e\n")).is_err());
    }
}
