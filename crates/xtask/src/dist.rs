//! Lays the library out for programs that use it: `include/ lib/ share/`, and the sources of the bindings that the target can use.

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::tools::{Done, cargo, read, root, run as run_command, target_dir, write};

const HOST: &str = "x86_64-unknown-linux-gnu";
const VERSION: &str = env!("CARGO_PKG_VERSION");

fn copy(from: &Path, to: &Path) -> Done {
    let folder = to.parent().unwrap_or(Path::new("."));
    std::fs::create_dir_all(folder)
        .and_then(|()| std::fs::copy(from, to))
        .map(|_| ())
        .map_err(|error| format!("{} to {}: {error}", from.display(), to.display()))
}

/// Copies a folder with all that lies in it.
fn copy_folder(from: &Path, to: &Path) -> Done {
    let entries = std::fs::read_dir(from).map_err(|error| format!("{}: {error}", from.display()))?;
    for entry in entries.filter_map(Result::ok) {
        let (path, to) = (entry.path(), to.join(entry.file_name()));
        if path.is_dir() { copy_folder(&path, &to)? } else { copy(&path, &to)? }
    }
    Ok(())
}

/// The sources of Java's classes with their native part where there may be a Java machine, those of the Swift package where there may be
/// Swift: at the places from where they find header and library.
fn bindings(target: &str, out: &Path) -> Done {
    let from = root().join("bindings");
    let to = out.join("bindings");
    if target.contains("linux") {
        for name in ["CMakeLists.txt", "README.md"] {
            copy(&from.join("java").join(name), &to.join("java").join(name))?;
        }
        copy_folder(&from.join("java/src"), &to.join("java/src"))?;
    }
    if target.contains("apple") || target == HOST {
        for name in ["Package.swift", "README.md"] {
            copy(&from.join("swift").join(name), &to.join("swift").join(name))?;
        }
        copy_folder(&from.join("swift/Sources"), &to.join("swift/Sources"))?;
        copy_folder(&from.join("swift/Tests"), &to.join("swift/Tests"))?;
        let module = to.join("swift/Sources/CTickseam");
        let map = read(&module.join("module.modulemap"))?;
        let header = map.split('"').nth(1).unwrap_or("");
        if !module.join(header).is_file() {
            return Err(format!("the module map names {header}, which is not there"));
        }
    }
    Ok(())
}

fn link(to: &str, at: &Path) -> Done {
    let _ = std::fs::remove_file(at);
    std::os::unix::fs::symlink(to, at).map_err(|error| format!("{}: {error}", at.display()))
}

/// What is asked of cargo for a static library with nothing of the standard library in it.
const STATIC: [&str; 10] = [
    "--locked",
    "--profile",
    "dist",
    "--package",
    "tickseam-capi",
    "--no-default-features",
    "--features",
    "bare",
    "--crate-type",
    "staticlib",
];

/// This machine's static library.
pub(crate) fn static_library() -> Done<PathBuf> {
    run_command(cargo().arg("rustc").args(STATIC))?;
    Ok(target_dir().join("dist/libtickseam_capi.a"))
}

/// This machine's shared library, from the static one: named by the ABI number, exporting `tickseam_*` and nothing else.
pub(crate) fn shared_library(archive: &Path) -> Done<PathBuf> {
    let library = archive.with_file_name("libtickseam.so.0");
    let script = archive.with_file_name("exports.map");
    write(&script, "{ global: tickseam_*; local: *; };\n")?;
    run_command(
        Command::new("cc")
            .args([
                "-shared",
                "-nostdlib",
                "-Wl,-soname,libtickseam.so.0",
                "-Wl,--gc-sections",
                "-Wl,-z,defs",
            ])
            .arg(format!("-Wl,--version-script={}", script.display()))
            .args(["-Wl,--whole-archive"])
            .arg(archive)
            .args(["-Wl,--no-whole-archive", "-lgcc", "-lc", "-o"])
            .arg(&library),
    )?;
    Ok(library)
}

/// The cargo of the toolchain that `TICKSEAM_CROSS` names, a folder with a cargo and a rustc that have the core library's source.
pub(crate) fn cross_cargo() -> Done<Command> {
    let folder = std::env::var("TICKSEAM_CROSS").unwrap_or_else(|_| "/usr/bin".to_owned());
    let cargo = Path::new(&folder).join("cargo");
    if !cargo.exists() {
        return Err(format!(
            "no cargo in {folder}: name a folder with cross cargo and rustc in TICKSEAM_CROSS"
        ));
    }
    let path = std::env::var("PATH").unwrap_or_default();
    let mut command = Command::new(&cargo);
    command
        .current_dir(root())
        .env("PATH", format!("{folder}:{path}"))
        .env("RUSTC", Path::new(&folder).join("rustc"))
        .env("RUSTC_BOOTSTRAP", "1")
        .env_remove("RUSTUP_TOOLCHAIN")
        .env_remove("CARGO");
    Ok(command)
}

/// The static library of another target, without the standard library.
pub(crate) fn cross(target: &str) -> Done<PathBuf> {
    let build = target_dir().join("cross");
    let mut command = cross_cargo()?;
    command.args(["rustc", "-Zbuild-std=core", "--target", target]).args(STATIC);
    run_command(command.arg("--target-dir").arg(&build))?;
    Ok(build.join(target).join("dist/libtickseam_capi.a"))
}

/// Lays out one target's library in a folder.
pub(crate) fn lay_out(target: &str, out: &Path) -> Done {
    copy(&root().join("include/tickseam.h"), &out.join("include/tickseam.h"))?;
    copy(&root().join("bindings/cpp/tickseam.hpp"), &out.join("include/tickseam.hpp"))?;
    if target == HOST {
        let archive = static_library()?;
        copy(&archive, &out.join("lib/libtickseam.a"))?;
        copy(&shared_library(&archive)?, &out.join("lib/libtickseam.so.0"))?;
        link("libtickseam.so.0", &out.join("lib/libtickseam.so"))?;
    } else {
        copy(&cross(target)?, &out.join("lib/libtickseam.a"))?;
    }
    let pkg_config = format!(
        "prefix=${{pcfiledir}}/../..\nName: tickseam\nDescription: Places events of one clock on the sample timeline of another\n\
         Version: {VERSION}\nCflags: -I${{prefix}}/include\nLibs: -L${{prefix}}/lib -ltickseam\n"
    );
    write(&out.join("share/pkgconfig/tickseam.pc"), &pkg_config)?;
    let shared = target == HOST;
    let location = if shared { "libtickseam.so.0" } else { "libtickseam.a" };
    let kind = if shared { "SHARED" } else { "STATIC" };
    let soname = if shared { "\n  IMPORTED_SONAME libtickseam.so.0" } else { "" };
    let cmake = format!(
        "get_filename_component(_tickseam \"${{CMAKE_CURRENT_LIST_DIR}}/../../..\" ABSOLUTE)\n\
         if(NOT TARGET tickseam::tickseam)\n\
         add_library(tickseam::tickseam {kind} IMPORTED)\n\
         set_target_properties(tickseam::tickseam PROPERTIES\n  IMPORTED_LOCATION \"${{_tickseam}}/lib/{location}\"{soname}\n  \
         INTERFACE_INCLUDE_DIRECTORIES \"${{_tickseam}}/include\")\n\
         add_library(tickseam::static STATIC IMPORTED)\n\
         set_target_properties(tickseam::static PROPERTIES\n  IMPORTED_LOCATION \"${{_tickseam}}/lib/libtickseam.a\"\n  \
         INTERFACE_INCLUDE_DIRECTORIES \"${{_tickseam}}/include\")\n\
         endif()\n"
    );
    write(&out.join("share/cmake/tickseam/tickseam-config.cmake"), &cmake)?;
    // Before 1.0 each minor version may differ.
    let (minor, _) = VERSION.rsplit_once('.').unwrap_or((VERSION, ""));
    let version = format!(
        "set(PACKAGE_VERSION \"{VERSION}\")\n\
         if(PACKAGE_FIND_VERSION VERSION_GREATER PACKAGE_VERSION OR PACKAGE_FIND_VERSION VERSION_LESS \"{minor}\")\n  \
         set(PACKAGE_VERSION_COMPATIBLE FALSE)\nelse()\n  set(PACKAGE_VERSION_COMPATIBLE TRUE)\nendif()\n"
    );
    write(&out.join("share/cmake/tickseam/tickseam-config-version.cmake"), &version)?;
    bindings(target, out)
}

pub(crate) fn run(options: &[&str]) -> Done {
    let (mut target, mut out) = (HOST, None);
    let mut rest = options.iter();
    while let Some(option) = rest.next() {
        match (*option, rest.next()) {
            ("--target", Some(value)) => target = value,
            ("--out", Some(value)) => out = Some(PathBuf::from(value)),
            _ => return Err(format!("dist: what is {option}?")),
        }
    }
    let out = out.unwrap_or_else(|| target_dir().join("distribution").join(target));
    lay_out(target, &out)?;
    println!("{}", out.display());
    Ok(())
}
