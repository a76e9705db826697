//! Compiles and runs the C programs: `c-tests` with gcc, as `cargo test` does; `c-tests --all` also with clang, sanitizers and
//! valgrind, from outside through pkg-config and CMake, and the programs of the C++ binding.

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::dist;
use crate::tools::{Done, read, root, run, target_dir, write};

const WARNINGS: [&str; 4] = ["-Wall", "-Wextra", "-Wpedantic", "-Werror"];
/// Compiler for C, compiler for C++.
const GCC: [&str; 2] = ["gcc", "g++"];
const CLANG: [&str; 2] = ["clang", "clang++"];

struct Place {
    sources: PathBuf,
    prefix: PathBuf,
    out: PathBuf,
}

impl Place {
    fn vectors(&self) -> PathBuf {
        root().join("bindings/vectors/live.csv")
    }

    /// Compiles one program; `library` is what it is linked with.
    fn compile(
        &self,
        compilers: [&str; 2],
        standard: &str,
        flags: &[&str],
        name: &str,
        library: &str,
    ) -> Done<PathBuf> {
        let compiler = if standard.starts_with("c++") { compilers[1] } else { compilers[0] };
        let language = if standard.starts_with("c++") { "c++" } else { "c" };
        let short =
            Path::new(name).file_stem().map_or_else(String::new, |s| s.to_string_lossy().into_owned());
        let binary = self.out.join(
            format!("{short}-{compiler}-{standard}{}{library}", flags.concat()).replace(['=', ','], "-"),
        );
        run(Command::new(compiler)
            .arg(format!("-std={standard}"))
            .args(WARNINGS)
            .args(flags)
            .args(["-O1", "-g", "-D_DEFAULT_SOURCE", "-x", language])
            .arg("-I")
            .arg(self.prefix.join("include"))
            .arg(self.sources.join(name))
            .args(["-x", "none"])
            .arg("-o")
            .arg(&binary)
            .arg("-L")
            .arg(self.prefix.join("lib"))
            .arg(format!("-l:{library}"))
            .args(["-lm", "-lpthread"]))?;
        Ok(binary)
    }

    /// Runs a program, below another one if `under` names one.
    fn run(&self, under: &[&str], binary: &Path, arguments: &[&Path]) -> Done<String> {
        let mut command = match under {
            [tool, options @ ..] => {
                let mut command = Command::new(tool);
                command.args(options).arg(binary);
                command
            }
            [] => Command::new(binary),
        };
        run(command.args(arguments).env("LD_LIBRARY_PATH", self.prefix.join("lib")))
    }

    /// All programs but the one without a heap, which no tool can run.
    fn all(
        &self,
        compilers: [&str; 2],
        standard: &str,
        flags: &[&str],
        under: &[&str],
        library: &str,
    ) -> Done {
        let vectors = self.vectors();
        for (name, arguments) in [
            ("tests/arguments.c", vec![]),
            ("tests/threads.c", vec![]),
            ("tests/vectors.c", vec![vectors.as_path()]),
            ("tests/packet.c", vec![]),
            ("minimal.c", vec![]),
            ("on_device.c", vec![]),
        ] {
            let binary = self.compile(compilers, standard, flags, name, library)?;
            self.run(under, &binary, &arguments)?;
        }
        let replay = self.compile(compilers, standard, flags, "replay.c", library)?;
        self.replay(under, &replay)?;
        println!("{} {standard} {} {} {library}: passed", compilers[0], flags.join(" "), under.join(" "));
        Ok(())
    }

    /// The example that replays: packets whose truth is known, printed onsets within their intervals.
    fn replay(&self, under: &[&str], binary: &Path) -> Done {
        let mut packets = String::from("host_ns,stream,sequence,tick,samples\n");
        for n in 0..3_000_i64 {
            let host_ns = 7_000_000_000 + (n * 20 + 18 + (14 - n * 20 % 15)) * 1_000_000;
            packets.push_str(&format!("{host_ns},eeg,{n},{},5\n{host_ns},acc,{n},,7\n", n * 32_768 / 50));
        }
        let events: Vec<i64> = (1..50).map(|at| 7_000_000_000 + at * 1_000_000_000).collect();
        let (packets_path, events_path) = (self.out.join("packets.csv"), self.out.join("events.txt"));
        write(&packets_path, &packets)?;
        write(&events_path, &events.iter().map(|at| format!("{at}\n")).collect::<String>())?;
        let known = ["250", "5", "16", "32768", "32", "18000", "200"].map(Path::new);
        let arguments: Vec<&Path> =
            [packets_path.as_path(), events_path.as_path()].into_iter().chain(known).collect();
        let sighted = ["exchanges.csv", "markers.csv"].map(|name| self.out.join(name));
        for path in &sighted {
            let _ = std::fs::remove_file(path);
        }
        placed_within(&self.run(under, binary, &arguments)?, &events, 5.0)?;
        // Once more with an exchange each two seconds and a marker each five, which know the clock better than that.
        let second = |at: i64| (7_000_000_000 + at * 1_000_000_000, at * 32_768);
        let mut exchanges = String::from("origin_ns,receive_tick,transmit_tick,destination_ns\n");
        let mut markers = String::from("host_ns,tick\n");
        for at in (1..59).step_by(2) {
            let (host_ns, tick) = second(at);
            exchanges.push_str(&format!("{},{tick},{tick},{}\n", host_ns - 100_000, host_ns + 100_000));
        }
        for at in (2..59).step_by(5) {
            let (host_ns, tick) = second(at);
            markers.push_str(&format!("{host_ns},{tick}\n"));
        }
        write(&sighted[0], &exchanges)?;
        write(&sighted[1], &markers)?;
        placed_within(&self.run(under, binary, &arguments)?, &events, 0.5)
    }

    /// The programs of the C++ binding, whose header lies beside the C one.
    fn cpp(&self, compilers: [&str; 2], flags: &[&str], under: &[&str], library: &str) -> Done {
        let vectors = self.vectors();
        for (name, arguments, said) in [
            ("../cpp/tests/vectors.cpp", vec![vectors.as_path()], "the same bits"),
            ("../cpp/example.cpp", vec![], "the tone fell on sample"),
        ] {
            let binary = self.compile(compilers, "c++17", flags, name, library)?;
            let printed = self.run(under, &binary, &arguments)?;
            if !printed.contains(said) {
                return Err(format!("{name} printed {printed}"));
            }
        }
        println!("binding: {} {} {} {library}: passed", compilers[1], flags.join(" "), under.join(" "));
        Ok(())
    }

    /// Linked with an allocator that aborts, and the control that shows that it would.
    fn no_heap(&self, compilers: [&str; 2]) -> Done {
        let binary = self.compile(compilers, "c11", &[], "tests/no_heap.c", "libtickseam.a")?;
        self.run(&[], &binary, &[])?;
        match self.run(&[], &binary, &[Path::new("control")]) {
            Ok(_) => Err("no_heap.c: the control did not abort".to_owned()),
            Err(_) => Ok(()),
        }
    }

    /// The stack that calls take, and the state that a session is, held to the budget.
    fn stack_and_state(&self) -> Done {
        let budget = read(&root().join("crates/tickseam-capi/budget.toml"))?;
        let line = |key: &str| {
            let found = budget.lines().find_map(|line| line.strip_prefix(key)?.strip_prefix(" = "));
            found.ok_or_else(|| format!("budget.toml has no {key}"))
        };
        let abi = read(&root().join("include/tickseam.h"))?;
        let state = abi.lines().find_map(|line| line.strip_prefix("#define TICKSEAM_SESSION_SIZE "));
        let state =
            state.and_then(|size| size.trim().parse::<u64>().ok()).ok_or("no TICKSEAM_SESSION_SIZE")?;
        let allowed = line("session_bytes")?;
        if allowed.parse::<u64>().map_err(|error| error.to_string())? < state {
            return Err(format!("a session takes {state} bytes, its budget is {allowed}"));
        }
        let binary = self.compile(GCC, "c11", &[], "tests/stack.c", "libtickseam.a")?;
        let most = [line("observe_stack_bytes")?, line("ask_stack_bytes")?, line("replay_stack_bytes")?];
        print!("session: {state} of {allowed} bytes\n{}", self.run(&[], &binary, &most.map(Path::new))?);
        // It has to notice a byte too many.
        match self.run(&[], &binary, &["1", "1", "1"].map(Path::new)) {
            Ok(_) => Err("stack.c: a budget of one byte was kept".to_owned()),
            Err(_) => Ok(()),
        }
    }

    /// A planted fault, compiled and run as the tests are: it has to be caught, and for what it is.
    fn caught(&self, flags: &[&str], under: &[&str], fault: &str, said: &str) -> Done {
        let binary = self.compile(GCC, "c11", flags, "tests/faults.c", "libtickseam.a")?;
        match self.run(under, &binary, &[Path::new(fault)]) {
            Ok(printed) => Err(format!("faults.c {fault}: nothing caught it: {printed}")),
            Err(why) if why.contains(said) => {
                println!("planted fault {fault} {} {}: caught", flags.join(" "), under.join(" "));
                Ok(())
            }
            Err(why) => Err(format!("faults.c {fault} ended without {said:?}: {why}")),
        }
    }

    /// Nothing in the shared library is written: it has neither data nor room for any.
    fn no_writable_globals(&self) -> Done {
        let library = self.prefix.join("lib/libtickseam.so.0");
        let sections = run(Command::new("size").arg("-A").arg(&library))?;
        if !sections.contains(".text") {
            return Err(format!("{}: no sections are listed", library.display()));
        }
        for line in sections.lines() {
            let mut words = line.split_whitespace();
            let (name, size) = (words.next().unwrap_or(""), words.next().unwrap_or(""));
            if [".data", ".bss", ".tdata", ".tbss"].contains(&name) && size != "0" {
                return Err(format!("{} has data that can be written: {line}", library.display()));
            }
        }
        Ok(())
    }

    /// Programs elsewhere find the library through pkg-config and through CMake.
    fn outside(&self) -> Done {
        let share = self.prefix.join("share/pkgconfig");
        let flags = run(Command::new("pkg-config")
            .args(["--cflags", "--libs", "tickseam"])
            .env("PKG_CONFIG_PATH", &share))?;
        let binary = self.out.join("by-pkg-config");
        run(Command::new("gcc")
            .arg(self.sources.join("minimal.c"))
            .args(flags.split_whitespace())
            .arg("-o")
            .arg(&binary))?;
        self.run(&[], &binary, &[])?;
        let build = self.out.join("by-cmake");
        run(Command::new("cmake")
            .arg("-S")
            .arg(self.sources.join("consumer"))
            .arg("-B")
            .arg(&build)
            .arg(format!("-DCMAKE_PREFIX_PATH={}", self.prefix.display())))?;
        run(Command::new("cmake").arg("--build").arg(&build))?;
        for name in ["shared", "static"] {
            self.run(&[], &build.join(name), &[])?;
        }
        println!("pkg-config and CMake: passed");
        Ok(())
    }
}

/// Holds what `replay.c` printed to the truth, and its intervals to what they may be at the most.
fn placed_within(printed: &str, events: &[i64], widest_ms: f64) -> Done {
    let mut placed = 0;
    for (line, event) in printed.lines().skip(1).zip(events) {
        let cells: Vec<f64> = line.split(',').filter_map(|cell| cell.parse().ok()).collect();
        let ([_, _, onset_s, _, u95_ms], true) = (cells.as_slice(), line.ends_with(",placed")) else {
            return Err(format!("replay.c printed {line}"));
        };
        let true_s = (event - 7_000_000_000) as f64 / 1e9;
        if (onset_s - true_s).abs() * 1e3 > *u95_ms || *u95_ms > widest_ms {
            return Err(format!("replay.c: {line}, but it was at {true_s} s"));
        }
        placed += 1;
    }
    if placed == events.len() {
        Ok(())
    } else {
        Err(format!("replay.c placed {placed} of {} events", events.len()))
    }
}

pub(crate) fn run_all(everything: bool) -> Done {
    let out = target_dir().join("c-tests");
    let prefix = out.join("prefix");
    dist::lay_out("x86_64-unknown-linux-gnu", &prefix)?;
    let place = Place { sources: root().join("bindings/c"), prefix, out };
    place.no_writable_globals()?;
    place.no_heap(GCC)?;
    place.stack_and_state()?;
    for standard in ["c99", "c11"] {
        place.all(GCC, standard, &[], &[], "libtickseam.a")?;
    }
    place.all(GCC, "c11", &[], &[], "libtickseam.so")?;
    if !everything {
        return Ok(());
    }
    place.all(GCC, "c++17", &[], &[], "libtickseam.a")?;
    for standard in ["c99", "c11", "c++17"] {
        place.all(CLANG, standard, &[], &[], "libtickseam.a")?;
    }
    let sanitizers = ["-fsanitize=address,undefined", "-fno-sanitize-recover=all"];
    place.all(GCC, "c11", &sanitizers, &[], "libtickseam.a")?;
    let valgrind = ["valgrind", "--quiet", "--error-exitcode=9", "--leak-check=full"];
    place.all(GCC, "c11", &[], &valgrind, "libtickseam.a")?;
    for compilers in [GCC, CLANG] {
        place.cpp(compilers, &[], &[], "libtickseam.a")?;
        place.cpp(compilers, &["-fno-exceptions", "-fno-rtti"], &[], "libtickseam.so")?;
    }
    place.cpp(GCC, &sanitizers, &[], "libtickseam.a")?;
    place.cpp(GCC, &[], &valgrind, "libtickseam.a")?;
    // The library is built without a sanitizer: they see what the programs do, and its copies of memory; valgrind's two see all of it.
    let helgrind = ["valgrind", "--tool=helgrind", "--quiet", "--error-exitcode=9"];
    for (flags, under) in [(&["-fsanitize=thread"][..], &[][..]), (&[], &helgrind)] {
        let threads = place.compile(GCC, "c11", flags, "tests/threads.c", "libtickseam.a")?;
        place.run(under, &threads, &[])?;
        println!("threads {} {}: passed", flags.join(" "), under.join(" "));
    }
    place.caught(&sanitizers, &[], "address", "AddressSanitizer: heap-buffer-overflow")?;
    place.caught(&sanitizers, &[], "undefined", "runtime error: signed integer overflow")?;
    place.caught(&sanitizers, &[], "memory", "AddressSanitizer: heap-buffer-overflow")?;
    place.caught(&[], &valgrind, "address", "Invalid write of size 8")?;
    place.caught(&[], &valgrind, "memory", "Invalid write")?;
    place.caught(&["-fsanitize=thread"], &[], "threads", "ThreadSanitizer: data race")?;
    place.caught(&[], &helgrind, "threads", "Possible data race")?;
    place.outside()
}
