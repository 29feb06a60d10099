#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| lobewright_fuzz::parsers::aprs_reports(data));
