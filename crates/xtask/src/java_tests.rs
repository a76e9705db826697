//! Builds the Java binding as a desktop program would, and runs its tests: `java-tests`; `java-tests --speed` measures one observed
//! packet against C.

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::dist;
use crate::tools::{Done, root, run, target_dir};

struct Place {
    sources: PathBuf,
    prefix: PathBuf,
    build: PathBuf,
    classes: PathBuf,
    programs: PathBuf,
}

/// The Java sources of a folder, in order.
fn sources_in(folder: &Path) -> Done<Vec<PathBuf>> {
    let entries = std::fs::read_dir(folder).map_err(|error| format!("{}: {error}", folder.display()))?;
    let mut found: Vec<PathBuf> = entries
        .filter_map(|entry| entry.ok().map(|entry| entry.path()))
        .filter(|path| path.extension().is_some_and(|extension| extension == "java"))
        .collect();
    found.sort();
    if found.is_empty() { Err(format!("{}: no Java source", folder.display())) } else { Ok(found) }
}

impl Place {
    fn native_library(&self) -> PathBuf {
        self.build.join("libtickseam_jni.so")
    }

    fn compile(&self) -> Done {
        run(Command::new("cmake")
            .arg("-S")
            .arg(&self.sources)
            .arg("-B")
            .arg(&self.build)
            .arg(format!("-DTICKSEAM_PREFIX={}", self.prefix.display())))?;
        run(Command::new("cmake").arg("--build").arg(&self.build))?;
        for folder in [&self.classes, &self.programs] {
            let _ = std::fs::remove_dir_all(folder);
            std::fs::create_dir_all(folder).map_err(|error| format!("{}: {error}", folder.display()))?;
        }
        // Java 8 is what Android's tools take without rewriting; nothing public goes without a comment.
        run(Command::new("javac")
            .args(["--release", "8", "-Xlint:all,-options", "-Xdoclint:all/protected", "-Werror", "-d"])
            .arg(&self.classes)
            .args(sources_in(&self.sources.join("src/main/java/tickseam"))?))?;
        run(Command::new("javac")
            .args(["-Xlint:all", "-Werror", "-cp"])
            .arg(&self.classes)
            .arg("-d")
            .arg(&self.programs)
            .args(sources_in(&self.sources.join("tests/tickseam"))?)
            .arg(self.sources.join("Example.java")))?;
        Ok(())
    }

    /// Nothing but the functions that Java calls is exported, and nothing in the object is written to.
    fn exports_and_globals(&self) -> Done {
        let exported = run(Command::new("nm").args(["-D", "--defined-only"]).arg(self.native_library()))?;
        let mut functions = 0;
        for line in exported.lines() {
            let name = line.split_whitespace().nth(2).unwrap_or(line);
            if !name.starts_with("Java_tickseam_Native_") {
                return Err(format!("libtickseam_jni.so exports {name}"));
            }
            functions += 1;
        }
        let native = std::fs::read_to_string(self.sources.join("src/main/java/tickseam/Native.java"))
            .unwrap_or_default();
        let declared = native.matches("static native ").count();
        if functions != declared || functions == 0 {
            return Err(format!("{functions} functions are exported, {declared} declared in Native.java"));
        }
        let object = self.build.join("CMakeFiles/tickseam_jni.dir/src/main/c/tickseam_jni.c.o");
        for line in run(Command::new("size").arg("-A").arg(&object))?.lines() {
            let mut words = line.split_whitespace();
            let (name, size) = (words.next().unwrap_or(""), words.next().unwrap_or(""));
            let written =
                [".data", ".bss", ".tdata", ".tbss"].iter().any(|section| name.starts_with(section));
            if written && !name.starts_with(".data.rel.ro") && size != "0" {
                return Err(format!("tickseam_jni.c has data that can be written: {line}"));
            }
        }
        Ok(())
    }

    /// Runs a class; both of its streams.
    fn java(&self, options: &[&str], class: &str, arguments: &[&str]) -> Done<String> {
        let output = Command::new("java")
            .args(options)
            .arg(format!("-Djava.library.path={}", self.build.display()))
            .arg("-cp")
            .arg(format!("{}:{}", self.classes.display(), self.programs.display()))
            .arg(class)
            .args(arguments)
            .output()
            .map_err(|error| format!("java: {error}"))?;
        let said =
            format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
        if output.status.success() { Ok(said) } else { Err(format!("{class}: {}\n{said}", output.status)) }
    }

    /// The Kotlin example, where there is a compiler. Before Kotlin 1.8 `use` of an `AutoCloseable` is in a library of its own.
    fn kotlin(&self) -> Done {
        let found = std::env::var_os("PATH")
            .and_then(|path| {
                std::env::split_paths(&path).map(|folder| folder.join("kotlinc")).find(|at| at.exists())
            })
            .and_then(|at| at.canonicalize().ok());
        let Some(compiler) = found else {
            println!("java-tests: no kotlinc: Example.kt was not compiled");
            return Ok(());
        };
        let libraries = compiler.parent().unwrap_or(Path::new(".")).join("../lib");
        let with = |folders: &[&Path]| {
            let mut path = String::new();
            for folder in folders {
                path.push_str(&format!("{}:", folder.display()));
            }
            for library in ["kotlin-stdlib.jar", "kotlin-stdlib-jdk7.jar"] {
                path.push_str(&format!("{}:", libraries.join(library).display()));
            }
            path
        };
        let out = self.build.join("kotlin");
        run(Command::new(&compiler)
            .args(["-cp", &with(&[&self.classes]), "-d"])
            .arg(&out)
            .arg(self.sources.join("Example.kt")))?;
        let said = run(Command::new("java")
            .arg(format!("-Djava.library.path={}", self.build.display()))
            .args(["-cp", &with(&[&self.classes, &out]), "ExampleKt"]))?;
        if !said.contains("the tone fell on sample") {
            return Err(format!("Example.kt printed {said}"));
        }
        println!("java-tests: Example.kt: passed");
        Ok(())
    }

    fn speed(&self) -> Done {
        let binary = self.build.join("speed");
        run(Command::new("cc")
            .args(["-std=c11", "-O2", "-D_DEFAULT_SOURCE", "-I"])
            .arg(self.prefix.join("include"))
            .arg(self.sources.join("tests/speed.c"))
            .arg(self.prefix.join("lib/libtickseam.a"))
            .arg("-o")
            .arg(&binary))?;
        let mut best = [f64::INFINITY; 3];
        for _ in 0..3 {
            let said =
                format!("{} {}", run(&mut Command::new(&binary))?, self.java(&[], "tickseam.Speed", &[])?);
            let numbers: Vec<f64> = said.split_whitespace().filter_map(|word| word.parse().ok()).collect();
            if numbers.len() != best.len() {
                return Err(format!("the measurement printed {said}"));
            }
            for (least, number) in best.iter_mut().zip(numbers) {
                *least = least.min(number);
            }
        }
        let [c, single, batched] = best;
        println!(
            "observing a packet: C {c:.0} ns, Java {single:.0} ns ({:.2} times), in batches of 10 {batched:.0} ns ({:.2} times)",
            single / c,
            batched / c
        );
        Ok(())
    }
}

pub(crate) fn run_all(speed: bool) -> Done {
    let out = target_dir().join("java-tests");
    let place = Place {
        sources: root().join("bindings/java"),
        prefix: out.join("prefix"),
        build: out.join("build"),
        classes: out.join("classes"),
        programs: out.join("programs"),
    };
    dist::lay_out("x86_64-unknown-linux-gnu", &place.prefix)?;
    place.compile()?;
    if speed {
        return place.speed();
    }
    place.exports_and_globals()?;
    let vectors = root().join("bindings/vectors/live.csv");
    let vectors = vectors.to_string_lossy();
    let said = place.java(&["-Xcheck:jni"], "tickseam.Tests", &[&vectors])?;
    print!("{said}");
    if !said.contains("all passed") || said.contains("WARNING") || said.contains("FATAL") {
        return Err("the Java tests: not clean under -Xcheck:jni".to_owned());
    }
    let bounded = ["-Xmx64m", "-XX:MaxDirectMemorySize=8m"];
    print!("{}", place.java(&bounded, "tickseam.Tests", &[&vectors, "leaks"])?);
    let said = place.java(&[], "Example", &[])?;
    if !said.contains("1 packet is missing") || !said.contains("the tone fell on sample") {
        return Err(format!("Example.java printed {said}"));
    }
    place.kotlin()
}
