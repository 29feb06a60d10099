//! Wrong metadata give an error that names the field and what would be right.
#![allow(clippy::unwrap_used, reason = "a test that cannot be set up fails")]

mod common;

use common::{chain, has, meta};
use lobewright_source::parse_meta;

fn meta_error(text: &str) -> String {
    chain(&parse_meta(text.as_bytes(), "x.sigmf-meta").unwrap_err())
}

#[test]
fn what_is_not_json_is_named_by_line() {
    has(
        &meta_error("{\"global\": {},\n\"captures\": [NaN]}"),
        &["`x.sigmf-meta` is not JSON at line 2, column 1"],
    );
    has(&meta_error(""), &["not JSON at line 1"]);
    has(
        &meta_error("[]"),
        &["`(whole file)` in `x.sigmf-meta` is []", "an object with"],
    );
    has(&meta_error(&"[".repeat(100_000)), &["recursion limit"]);
    has(
        &meta_error("{\"global\": {\"core:sample_rate\": 1e999}}"),
        &["number out of range"],
    );
    assert!(parse_meta(b"\xff\xfe{}", "x").is_err());
}

#[test]
fn a_byte_order_mark_does_no_harm() {
    let text = format!("\u{feff}{}", meta("", "", ""));
    assert!(parse_meta(text.as_bytes(), "x").is_ok());
}

#[test]
fn every_wrong_field_is_named_with_what_would_be_right() {
    // Field put into `global`, and what the message must hold.
    for (field, parts) in [
        (
            r#", "core:datatype": "cf32""#,
            ["`global.core:datatype`", "is \"cf32\", but must be r or c"],
        ),
        (
            r#", "core:datatype": "ci16_lex""#,
            ["`global.core:datatype`", "but must be r or c"],
        ),
        (
            r#", "core:datatype": 5"#,
            ["`global.core:datatype`", "is 5, but must be text"],
        ),
        (
            r#", "core:sample_rate": 0"#,
            ["`global.core:sample_rate`", "is 0, but must be above 0"],
        ),
        (
            r#", "core:sample_rate": -5"#,
            ["`global.core:sample_rate`", "is -5, but must be a number"],
        ),
        (
            r#", "core:sample_rate": "24e5""#,
            ["`global.core:sample_rate`", "is \"24e5\", but must be"],
        ),
        (
            r#", "core:sample_rate": null"#,
            ["`global.core:sample_rate`", "is null"],
        ),
        (
            r#", "core:num_channels": 0"#,
            ["`global.core:num_channels`", "from 1 to 4096"],
        ),
        (
            r#", "core:num_channels": 1e18"#,
            ["`global.core:num_channels`", "whole number"],
        ),
        (
            r#", "core:num_channels": 1.5"#,
            ["`global.core:num_channels`", "is 1.5, but must be a whole"],
        ),
        (
            r#", "core:offset": -1"#,
            ["`global.core:offset`", "is -1, but must be a whole number"],
        ),
        (
            r#", "core:offset": 9223372036854775808"#,
            ["`global.core:offset`", "9223372036854775807"],
        ),
        (
            r#", "core:sha512": "12""#,
            ["`global.core:sha512`", "128 hexadecimal digits"],
        ),
        (
            r#", "core:dataset": "../x""#,
            ["`global.core:dataset`", "the bare name of a file"],
        ),
        (
            r#", "core:dataset": "..""#,
            ["`global.core:dataset`", "the bare name of a file"],
        ),
        (
            r#", "core:dataset": "/etc/passwd""#,
            ["`global.core:dataset`", "without a path"],
        ),
        (
            r#", "core:metadata_only": 1"#,
            ["`global.core:metadata_only`", "true or false"],
        ),
        (
            r#", "core:author": []"#,
            ["`global.core:author`", "is [], but must be text"],
        ),
        (
            r#", "core:geolocation": {"type": "Point", "coordinates": [-41.3, 174.8]}"#,
            [
                "`global.core:geolocation.coordinates`",
                "longitude (-180 to 180, east positive), latitude",
            ],
        ),
        (
            r#", "core:geolocation": {"type": "Line"}"#,
            ["`global.core:geolocation.type`", "\"Point\""],
        ),
        (
            r#", "core:geolocation": {"type": "Point"}"#,
            ["`global.core:geolocation.coordinates` is missing", "longitude"],
        ),
        (
            r#", "core:extensions": [{"name": "secret", "version": "3.0.0", "optional": false}]"#,
            [
                "cannot be read without the extension `secret 3.0.0`",
                "not supported",
            ],
        ),
        (
            r#", "core:extensions": [7]"#,
            ["`global.core:extensions[0]`", "an object"],
        ),
    ] {
        has(&meta_error(&meta(field, "", "")), &parts);
    }
}

#[test]
fn every_wrong_field_of_captures_and_annotations_is_named() {
    for (capture, parts) in [
        (
            "{}",
            ["`captures[0].core:sample_start` is missing", "first sample"],
        ),
        ("7", ["`captures[0]`", "is 7, but must be an object"]),
        (
            r#"{"core:sample_start": 5}, {"core:sample_start": 4}"#,
            ["`captures[1].core:sample_start`", "is 4, but must be at least 5"],
        ),
        (
            r#"{"core:sample_start": 0, "core:frequency": 2e12}"#,
            ["`captures[0].core:frequency`", "from -1000000000000.0 to"],
        ),
        (
            r#"{"core:sample_start": 0, "core:datetime": "yesterday"}"#,
            ["`captures[0].core:datetime`", "a UTC time such as"],
        ),
        (
            r#"{"core:sample_start": 0, "core:datetime": "2026-02-14T03:25:00"}"#,
            ["`captures[0].core:datetime`", "a UTC time such as"],
        ),
        (
            r#"{"core:sample_start": 0, "core:header_bytes": -1}"#,
            ["`captures[0].core:header_bytes`", "whole number"],
        ),
        (
            r#"{"core:sample_start": 0, "spatial:aperture_azimuth": 700}"#,
            ["`captures[0].spatial:aperture_azimuth`", "from -360.0 to 360.0"],
        ),
    ] {
        has(&meta_error(&meta("", capture, "")), &parts);
    }
    for (annotation, parts) in [
        ("{}", ["`annotations[0].core:sample_start`", "missing"]),
        (
            r#"{"core:sample_start": 0, "core:sample_count": 1.5}"#,
            ["`annotations[0].core:sample_count`", "whole number"],
        ),
        (
            r#"{"core:sample_start": 0, "core:freq_lower_edge": 5, "core:freq_upper_edge": 4}"#,
            [
                "`annotations[0].core:freq_upper_edge`",
                "at least the lower edge, 5.0",
            ],
        ),
        (
            r#"{"core:sample_start": 0, "spatial:signal_bearing": {"az_error": -1}}"#,
            ["`annotations[0].spatial:signal_bearing.az_error`", "from 0.0"],
        ),
    ] {
        has(&meta_error(&meta("", "", annotation)), &parts);
    }
}

#[test]
fn missing_parts_are_named_or_flagged() {
    has(
        &meta_error("{}"),
        &["`global` is missing in `x.sigmf-meta`; it must be an object"],
    );
    has(
        &meta_error(r#"{"global": {}}"#),
        &["`global.core:datatype` is missing", "such as \"ci16_le\""],
    );
    let meta = parse_meta(br#"{"global": {"core:datatype": "cu8"}}"#, "x").unwrap();
    let text: Vec<String> = meta.warnings.iter().map(ToString::to_string).collect();
    has(
        &text.join("\n"),
        &[
            "core:version",
            "`captures`: missing although required",
            "`annotations`: missing",
        ],
    );
}

#[test]
fn a_time_with_an_offset_is_taken_to_utc_and_told() {
    let text = meta(
        "",
        r#"{"core:sample_start": 0, "core:datetime": "2026-01-01T02:00:00+02:00"}"#,
        "",
    );
    let meta = parse_meta(text.as_bytes(), "x").unwrap();
    assert_eq!(meta.captures[0].utc.unwrap().to_string(), "2026-01-01T00:00:00Z");
    has(&meta.warnings[0].to_string(), &["does not end in Z"]);
}
