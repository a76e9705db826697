//! The binary interface: symbols, sizes and offsets, against a committed file.

use std::fmt::Write as _;
use std::process::Command;

use crate::dist;
use crate::tools::{Done, compare, read, root, run, target_dir, write as write_file};

/// A struct of the header and its fields.
struct Struct<'a> {
    name: &'a str,
    fields: Vec<&'a str>,
}

/// The structs that the header defines, in order.
fn structs(header: &str) -> Vec<Struct<'_>> {
    let mut found: Vec<Struct<'_>> = Vec::new();
    let mut inside = false;
    for line in header.lines() {
        if let Some(name) = line.strip_prefix("typedef struct ").and_then(|rest| rest.strip_suffix(" {")) {
            found.push(Struct { name, fields: Vec::new() });
            inside = true;
        } else if line.starts_with('}') {
            inside = false;
        } else if inside
            && let Some(field) = line.strip_suffix(';')
            && let Some(last) = found.last_mut()
        {
            let name = field.split('[').next().unwrap_or(field).rsplit([' ', '*']).next().unwrap_or(field);
            last.fields.push(name);
        }
    }
    found
}

fn generate() -> Done<String> {
    let header = read(&root().join("include/tickseam.h"))?;
    let mut program = String::from("#include <stdio.h>\n#include \"tickseam.h\"\nint main(void) {\n");
    for Struct { name, fields } in structs(&header) {
        let _ = writeln!(program, "printf(\"struct {name} %zu\\n\", sizeof({name}));");
        for field in fields {
            let _ = writeln!(
                program,
                "printf(\"  {field} %zu %zu\\n\", offsetof({name}, {field}), sizeof((({name} *)0)->{field}));"
            );
        }
    }
    program.push_str("return 0;\n}\n");
    let folder = target_dir().join("abi");
    let (source, binary) = (folder.join("layout.c"), folder.join("layout"));
    write_file(&source, &program)?;
    run(Command::new("cc").arg("-I").arg(root().join("include")).arg(&source).arg("-o").arg(&binary))?;
    let mut text = String::from(
        "# x86_64-unknown-linux-gnu: structs (size; field, offset, size) and exported symbols\n",
    );
    text.push_str(&run(&mut Command::new(&binary))?);
    let library = dist::shared_library(&dist::static_library()?)?;
    let listed = run(Command::new("nm").args(["-D", "--defined-only"]).arg(&library))?;
    let mut symbols: Vec<&str> = listed.lines().filter_map(|line| line.split_whitespace().last()).collect();
    symbols.sort_unstable();
    if let Some(foreign) = symbols.iter().find(|symbol| !symbol.starts_with("tickseam_")) {
        return Err(format!("{} exports {foreign}", library.display()));
    }
    for symbol in symbols {
        let declared = header.contains(&format!("{symbol}("));
        if !declared {
            return Err(format!("{symbol} is exported but not declared"));
        }
        let _ = writeln!(text, "symbol {symbol}");
    }
    for line in run(Command::new("readelf").args(["-d", "-W"]).arg(&library))?.lines() {
        if let Some((_, name)) = line.split_once("soname: [") {
            let _ = writeln!(text, "soname {}", name.trim_end_matches(']'));
        }
    }
    Ok(text)
}

pub(crate) fn write() -> Done {
    write_file(&root().join("include/tickseam.abi"), &generate()?)
}

pub(crate) fn check() -> Done {
    compare(&root().join("include/tickseam.abi"), &generate()?, "cargo xtask abi")
}
