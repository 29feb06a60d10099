#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| lobewright_fuzz::parsers::map_geojson(data));
