#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    tickseam_fuzz_cases::run("captures", bytes).unwrap();
});
