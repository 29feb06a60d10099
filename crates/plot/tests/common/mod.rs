//! Reads pictures back from their SVG text.

#![allow(
    clippy::unwrap_used,
    reason = "helpers of tests fail by panicking, as tests do"
)]
#![allow(dead_code, reason = "each test file uses some of it")]

use proptest::prelude::*;
use resvg::usvg::roxmltree::{Document, Node};

pub(crate) fn parse(svg: &str) -> Document<'_> {
    Document::parse(svg).expect("the picture is well-formed XML")
}

pub(crate) fn with_class<'a>(document: &'a Document<'a>, class: &str) -> Vec<Node<'a, 'a>> {
    document
        .descendants()
        .filter(|node| node.attribute("class") == Some(class))
        .collect()
}

pub(crate) fn texts(document: &Document) -> Vec<String> {
    document
        .descendants()
        .filter(|node| node.has_tag_name("text"))
        .filter_map(|node| node.text().map(str::to_owned))
        .collect()
}

/// The points of path data that has only moves and lines.
pub(crate) fn points(node: Node) -> Vec<(f64, f64)> {
    node.attribute("d")
        .unwrap()
        .split(['M', 'L', 'Z'])
        .filter(|part| !part.is_empty())
        .map(|part| {
            let (x, y) = part.split_once(' ').unwrap();
            (x.parse().unwrap(), y.parse().unwrap())
        })
        .collect()
}

pub(crate) fn attribute(node: Node, name: &str) -> f64 {
    node.attribute(name).unwrap().parse().unwrap()
}

/// Azimuth on the page from one point to another: up is 0, clockwise.
pub(crate) fn page_azimuth(from: (f64, f64), to: (f64, f64)) -> f64 {
    (to.0 - from.0)
        .atan2(from.1 - to.1)
        .to_degrees()
        .rem_euclid(360.0)
}

pub(crate) fn apart(a: f64, b: f64) -> f64 {
    ((a - b + 180.0).rem_euclid(360.0) - 180.0).abs()
}

pub(crate) fn any_number() -> impl Strategy<Value = f64> {
    prop_oneof![
        4 => -400.0..400.0_f64,
        1 => Just(f64::NAN),
        1 => Just(f64::INFINITY),
        1 => Just(f64::NEG_INFINITY),
        1 => Just(0.0),
        1 => -1e300..1e300_f64,
    ]
}
