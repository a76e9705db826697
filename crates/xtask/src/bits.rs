//! The same run on every processor that can be had here, and the same bits from all of them.

use std::path::Path;
use std::process::Command;

use crate::chips::{
    self, CORTEX_M0, CORTEX_M4F, Processor, RISC_V, WASM, hosted, on_cortex_m, on_risc_v, sums,
};
use crate::tools::{Done, run};

/// Targets with an operating system, whose programs QEMU runs.
const EMULATED: [(Processor, &str, &str); 3] = [
    (
        Processor { target: "i686-unknown-linux-gnu", linker: "i686-linux-gnu-gcc", feature: None },
        "qemu-i386",
        "32 bits",
    ),
    (
        Processor { target: "aarch64-unknown-linux-gnu", linker: "aarch64-linux-gnu-gcc", feature: None },
        "qemu-aarch64",
        "64 bits",
    ),
    (
        Processor { target: "s390x-unknown-linux-gnu", linker: "s390x-linux-gnu-gcc", feature: None },
        "qemu-s390x",
        "the highest byte first",
    ),
];
const PROGRAMS: [&str; 12] = [
    "i686-linux-gnu-gcc",
    "aarch64-linux-gnu-gcc",
    "s390x-linux-gnu-gcc",
    "ld.lld-22",
    "wasm-ld-22",
    "qemu-i386",
    "qemu-aarch64",
    "qemu-s390x",
    "qemu-system-arm",
    "qemu-system-riscv32",
    "node",
    "timeout",
];

/// The sums of a module, by Node.
fn in_node(module: &Path) -> Done<String> {
    const SCRIPT: &str = "\
        const bytes = require('fs').readFileSync(process.argv[1]);\
        WebAssembly.instantiate(bytes).then(({ instance: { exports } }) => {\
          for (const by of ['parts', 'session'])\
            console.log('sum', by, BigInt.asUintN(64, exports['sum_' + by]()).toString(16).padStart(16, '0'));\
        });";
    run(Command::new("node").args(["-e", SCRIPT]).arg(module))
}

/// A table of sums that grows, and what differs from its first row.
struct Table {
    first: Option<[String; 2]>,
    differing: Vec<String>,
}

impl Table {
    fn add(&mut self, processor: &str, how: &str, printed: &str) -> Done {
        let [parts, session] = sums(printed).map_err(|why| format!("{processor}: {why}"))?;
        println!("{processor:<31} {how:<36} {parts}  {session}");
        let found = [parts, session];
        let first = self.first.get_or_insert_with(|| found.clone());
        if *first != found {
            self.differing.push(processor.to_owned());
        }
        Ok(())
    }
}

pub(crate) fn run_all() -> Done {
    chips::needed(&PROGRAMS)?;
    println!("{:<31} {:<36} {:<16}  session", "processor", "run by", "parts");
    let mut table = Table { first: None, differing: Vec::new() };
    table.add("this machine, optimised", std::env::consts::ARCH, &hosted(true)?)?;
    table.add("this machine, not optimised", "with checks for overflow", &hosted(false)?)?;
    for (processor, emulator, what) in EMULATED {
        let program = processor.build("hosted")?;
        let printed = run(Command::new(emulator).arg(&program))?;
        table.add(processor.target, &format!("{emulator}, {what}"), &printed)?;
    }
    for (processor, board, what) in [
        (CORTEX_M4F, "mps2-an386", "a Cortex-M4F"),
        // QEMU has no board with a Cortex-M0+ that has room for the run.
        (CORTEX_M0, "mps2-an385", "a Cortex-M3"),
    ] {
        let printed = on_cortex_m(board, &processor.build("cortex-m")?)?;
        table.add(processor.target, &format!("{board}, {what}"), &printed)?;
    }
    table.add(RISC_V.target, "qemu-system-riscv32, virt", &on_risc_v(&RISC_V.build("riscv")?)?)?;
    table.add(WASM.target, "Node", &in_node(&WASM.build("wasm")?)?)?;
    if table.differing.is_empty() {
        Ok(())
    } else {
        Err(format!("other bits than on this machine: {}", table.differing.join(", ")))
    }
}
