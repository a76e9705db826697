//! The static library on other processors: built, linked with the C tests by Debian's cross compilers, and run under qemu; built
//! only where nothing here could run it.

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::tools::{Done, root, run, target_dir, write};
use crate::{audit, dist};

/// A target whose programs run here.
struct Emulated {
    target: &'static str,
    /// C compiler.
    compiler: &'static str,
    emulator: &'static str,
    /// Further flags for the C programs.
    flags: &'static [&'static str],
}

/// 64 bits, 32 bits, and the other order of bytes.
const EMULATED: [Emulated; 3] = [
    Emulated {
        target: "aarch64-unknown-linux-gnu",
        compiler: "aarch64-linux-gnu-gcc",
        emulator: "qemu-aarch64",
        flags: &[],
    },
    Emulated {
        target: "i686-unknown-linux-gnu",
        compiler: "i686-linux-gnu-gcc",
        emulator: "qemu-i386",
        // The x87 keeps more digits than a double has: what the test itself works out would differ.
        flags: &["-msse2", "-mfpmath=sse"],
    },
    Emulated {
        target: "s390x-unknown-linux-gnu",
        compiler: "s390x-linux-gnu-gcc",
        emulator: "qemu-s390x",
        flags: &[],
    },
];
const BUILT_ONLY: [&str; 6] = [
    "thumbv7em-none-eabihf",
    "thumbv6m-none-eabi",
    "thumbv8m.main-none-eabihf",
    "riscv32imac-unknown-none-elf",
    "aarch64-linux-android",
    "aarch64-apple-ios",
];

impl Emulated {
    fn compile(&self, archive: &Path, name: &str) -> Done<PathBuf> {
        let folder = target_dir().join("cross").join(self.target);
        let binary = folder.join(name);
        run(Command::new(self.compiler)
            .args(["-std=c11", "-Wall", "-Wextra", "-Werror", "-O1", "-D_DEFAULT_SOURCE", "-static", "-I"])
            .arg(root().join("include"))
            .args(self.flags)
            .arg(root().join("bindings/c/tests").join(name).with_extension("c"))
            .arg(archive)
            .args(["-lm", "-o"])
            .arg(&binary))?;
        Ok(binary)
    }

    fn test(&self) -> Done {
        let archive = dist::cross(self.target)?;
        let vectors = root().join("bindings/vectors/live.csv");
        let binary = self.compile(&archive, "vectors")?;
        let said = run(Command::new(self.emulator).arg(&binary).arg(&vectors))?;
        // A file with one digit changed has to fail, or nothing is compared.
        let text = std::fs::read_to_string(&vectors).map_err(|error| error.to_string())?;
        let row = text.lines().rfind(|line| line.starts_with("place,")).ok_or("no place in the vectors")?;
        let changed = row.replacen("0x1.", "0x1.1", 1);
        let wrong = binary.with_file_name("wrong.csv");
        write(&wrong, &text.replace(row, &changed))?;
        if changed == row || run(Command::new(self.emulator).arg(&binary).arg(&wrong)).is_ok() {
            return Err(format!("{}: changed vectors passed", self.target));
        }
        for name in ["arguments", "packet"] {
            let binary = self.compile(&archive, name)?;
            run(Command::new(self.emulator).arg(&binary))?;
        }
        println!("{}: {}; arguments, packet: passed", self.target, said.trim());
        Ok(())
    }
}

pub(crate) fn run_all() -> Done {
    for emulated in &EMULATED {
        emulated.test()?;
    }
    for target in BUILT_ONLY {
        let archive = dist::cross(target)?;
        let bytes = std::fs::metadata(&archive).map_err(|error| error.to_string())?.len();
        println!("{target}: built, {bytes} bytes; not run");
    }
    let Emulated { target, compiler, .. } = &EMULATED[0];
    audit::run_for(target, compiler)?;
    println!("{target}: no panic is reachable; the control breaks the link");
    Ok(())
}
