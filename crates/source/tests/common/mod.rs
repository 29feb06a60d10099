//! What the tests share.
#![allow(clippy::unwrap_used, reason = "a test that cannot be set up fails")]
#![allow(dead_code, reason = "every test file uses a part of it")]

use std::path::{Path, PathBuf};

use lobewright_source::{OpenOptions, Recording, SourceWarning, open, open_reader};
use lobewright_types::{Gap, RawBlock, Sample, StreamItem};

pub(crate) fn testdata(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../testdata")
        .join(name)
}

/// A recording read to its end, with the cut into blocks taken out.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Whole {
    pub(crate) items: Vec<Item>,
    pub(crate) warnings: Vec<SourceWarning>,
    pub(crate) samples_read: u64,
}

#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Item {
    /// First sample, and the bytes up to the next gap.
    Samples(u64, Vec<u8>),
    Gap(Gap),
}

impl Whole {
    pub(crate) fn bytes(&self) -> Vec<u8> {
        let mut all = Vec::new();
        for item in &self.items {
            if let Item::Samples(_, bytes) = item {
                all.extend_from_slice(bytes);
            }
        }
        all
    }

    pub(crate) fn gaps(&self) -> Vec<Gap> {
        self.items
            .iter()
            .filter_map(|item| match item {
                Item::Gap(gap) => Some(*gap),
                Item::Samples(..) => None,
            })
            .collect()
    }
}

/// Reads to the end and checks on the way that items follow each other without overlap or hole.
pub(crate) fn drain(recording: &mut Recording) -> Whole {
    let mut items: Vec<Item> = Vec::new();
    let mut next: u64 = 0;
    let mut after_gap = true;
    while let Some(item) = recording.next_item().unwrap() {
        match item {
            StreamItem::Block(block) => {
                check_block(recording, &block, next);
                next += block.len() as u64;
                match items.last_mut() {
                    Some(Item::Samples(_, bytes)) if !after_gap => bytes.extend_from_slice(&block.bytes),
                    _ => items.push(Item::Samples(block.start.0, block.bytes.to_vec())),
                }
                after_gap = false;
            }
            StreamItem::Gap(gap) => {
                assert_eq!(gap.start.0, next, "a gap begins where the item before ended");
                next += gap.samples;
                items.push(Item::Gap(gap));
                after_gap = true;
            }
        }
    }
    assert!(recording.next_item().unwrap().is_none(), "the end stays the end");
    Whole {
        items,
        warnings: recording.warnings().to_vec(),
        samples_read: recording.samples_read(),
    }
}

fn check_block(recording: &Recording, block: &RawBlock, next: u64) {
    assert_eq!(block.start.0, next, "a block begins where the item before ended");
    assert!(!block.is_empty());
    let frame = block.format.bytes_per_sample() * block.channels;
    assert_eq!(block.bytes.len() % frame, 0, "whole frames");
    assert_eq!(block.format, recording.info().format);
    assert_eq!(block.channels, recording.info().channels);
}

pub(crate) fn read_all(path: &Path, options: &OpenOptions) -> Whole {
    drain(&mut open(path, options).unwrap())
}

pub(crate) fn read_bytes(bytes: &[u8], options: &OpenOptions) -> Whole {
    let reader = Box::new(std::io::Cursor::new(bytes.to_vec()));
    drain(&mut open_reader(reader, "memory", options).unwrap())
}

pub(crate) fn decode(recording: &Recording, bytes: &[u8], channel: usize) -> Vec<Sample> {
    let info = recording.info();
    let mut out = Vec::new();
    info.format.decode(bytes, channel, info.channels, &mut out);
    out
}

/// Writes a pair by hand and gives the metadata's path.
pub(crate) fn pair(folder: &Path, meta: &str, data: &[u8]) -> PathBuf {
    std::fs::write(folder.join("x.sigmf-data"), data).unwrap();
    let path = folder.join("x.sigmf-meta");
    std::fs::write(&path, meta).unwrap();
    path
}

/// The whole chain of an error's messages.
pub(crate) fn chain(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut source = error.source();
    while let Some(cause) = source {
        text = format!("{text}: {cause}");
        source = cause.source();
    }
    text
}

/// Metadata of `ci8` samples at 1 kHz, with more fields put in.
pub(crate) fn meta(global: &str, captures: &str, annotations: &str) -> String {
    const GLOBAL: &str = r#""core:datatype": "ci8", "core:version": "1.2.5", "core:sample_rate": 1000"#;
    format!(
        "{{\"global\": {{{GLOBAL}{global}}},\n\"captures\": [{captures}],\n\"annotations\": [{annotations}]}}"
    )
}

pub(crate) fn has(text: &str, parts: &[&str]) {
    for part in parts {
        assert!(text.contains(part), "`{part}` is not in: {text}");
    }
}
