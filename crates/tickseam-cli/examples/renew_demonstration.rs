//! Simulates the built-in recording anew and packs it: `cargo run --release -p tickseam-cli --example renew_demonstration`.

use std::path::Path;

use tickseam_cli::{demonstration, simulated};
use tickseam_sim::{Scenario, simulate};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let here = Path::new(env!("CARGO_MANIFEST_DIR")).join("demonstration");
    let scenario = Scenario::from_toml(&std::fs::read_to_string(here.join("scenario.toml"))?)?;
    let session = simulate(&scenario, demonstration::SEED)?;
    let folder = tempfile::tempdir()?;
    tickseam_record::write_recording(folder.path(), &simulated::recording(&session)?)?;
    let packed = demonstration::pack(folder.path())?;
    std::fs::write(here.join("recording.packed"), &packed)?;
    println!("{} bytes", packed.len());
    Ok(())
}
