//! Samples in and out: SigMF, WAV and raw I/Q, streamed in constant memory whatever the length.
//!
//! [`open`] takes a SigMF pair, a SigMF archive, a WAV file or raw samples and gives a [`Recording`], which hands
//! on blocks of undecoded bytes and the gaps between them. [`SigmfWriter`] writes a SigMF pair, [`pack_archive`]
//! makes an archive of one.
//!
//! # What the indices count
//! Every [`SampleIndex`](lobewright_types::SampleIndex) in this crate counts the *stream*: its first sample is 0,
//! and samples that the recording says were lost (`core:global_index`) are counted too. `core:sample_start` counts
//! the samples in the file; reading and writing convert between the two.
//!
//! # Sources
//! The Signal Metadata Format Specification (SigMF), v1.2.5, with its extensions `spatial` v1.1.0 and, for the
//! gain alone, `capture_details` v1.0.0 (the latter's field name and version are from memory).
//!
//! # Example
//! ```no_run
//! use lobewright_source::{OpenOptions, open};
//! use lobewright_types::StreamItem;
//!
//! let mut recording = open("hill.sigmf-meta".as_ref(), &OpenOptions::default())?;
//! while let Some(item) = recording.next_item()? {
//!     match item {
//!         StreamItem::Block(block) => assert!(!block.is_empty()),
//!         StreamItem::Gap(gap) => assert!(gap.start.0 <= recording.samples_read() + gap.samples),
//!     }
//! }
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod archive;
mod error;
mod finite;
mod geo;
mod info;
mod json;
mod layout;
mod meta;
mod meta_write;
mod open;
mod overrides;
mod recording;
mod verify;
mod warning;
mod wav;
mod writer;

pub use archive::pack_archive;
pub use error::{OpenError, ReadError, WriteError};
pub use info::{Annotation, Capture, RecordingInfo, TrackPoint};
pub use meta::{Meta, parse_meta};
pub use open::{OpenOptions, open, open_reader};
pub use recording::Recording;
pub use verify::{Checksum, verify_sha512};
pub use warning::SourceWarning;
pub use writer::{SigmfWriter, WriteInfo, metadata_only};
