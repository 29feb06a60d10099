//! Blocks keep their samples as long as someone holds them, and their buffers are used again afterwards.
#![allow(clippy::unwrap_used, reason = "a test that cannot be set up fails")]

mod common;

use std::collections::BTreeSet;
use std::sync::Arc;

use common::testdata;
use lobewright_source::{OpenOptions, Recording, open};
use lobewright_types::{RawBlock, StreamItem};

fn recording() -> Recording {
    let options = OpenOptions {
        block_samples: 1_000,
        ..OpenOptions::default()
    };
    open(&testdata("recordings/meter_fsk_868M95.sigmf-meta"), &options).unwrap()
}

fn next_block(recording: &mut Recording) -> Option<RawBlock> {
    match recording.next_item().unwrap()? {
        StreamItem::Block(block) => Some(block),
        StreamItem::Gap(gap) => panic!("no gap is in this recording, but {gap:?} came"),
    }
}

#[test]
fn blocks_that_are_held_do_not_change() {
    let mut recording = recording();
    let mut held = Vec::new();
    while let Some(block) = next_block(&mut recording) {
        held.push(block);
    }
    assert_eq!(held.len(), 450);
    let bytes: Vec<u8> = held.iter().flat_map(|b| b.bytes.iter().copied()).collect();
    let data = std::fs::read(testdata("recordings/meter_fsk_868M95.sigmf-data")).unwrap();
    assert_eq!(bytes, data);
}

#[test]
fn a_few_buffers_serve_a_whole_recording() {
    let mut recording = recording();
    let mut buffers = BTreeSet::new();
    let mut before: Option<RawBlock> = None;
    // As in a running chain: the block before is still held while the next is read.
    while let Some(block) = next_block(&mut recording) {
        buffers.insert(Arc::as_ptr(&block.bytes) as usize);
        before.replace(block);
    }
    assert!(buffers.len() <= 8, "{} buffers for 450 blocks", buffers.len());
}
