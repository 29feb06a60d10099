//! A recording being read: blocks and gaps in order, in constant memory.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::sync::Arc;

use lobewright_types::{Gap, GapCause, RawBlock, SampleIndex, StreamItem};

use crate::finite::{all_finite, leading_run};
use crate::layout::Step;
use crate::{ReadError, RecordingInfo, SourceWarning};

/// Buffers kept for reuse once every reader of a block has let go of it.
const POOL_BUFFERS: usize = 8;

/// Where the bytes come from.
pub(crate) enum Input {
    /// A plain file; `base` is the byte that the data begin at, `at` the reader's place behind it.
    File { file: File, base: u64, at: u64 },
    /// Anything that can only be read on.
    Stream(Box<dyn Read + Send>),
}

impl Input {
    fn seek_to(&mut self, byte: u64) -> io::Result<()> {
        if let Self::File { file, base, at } = self
            && *at != byte
        {
            file.seek(SeekFrom::Start(base.saturating_add(byte)))?;
            *at = byte;
        }
        Ok(())
    }

    /// Makes the next read seek, since a failed one leaves the place unknown.
    fn forget_place(&mut self) {
        if let Self::File { at, .. } = self {
            *at = u64::MAX;
        }
    }

    /// Fills the buffer unless the data end before; gives the bytes read.
    fn fill(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let mut done = 0;
        while done < buffer.len() {
            let got = match self {
                Self::File { file, .. } => file.read(&mut buffer[done..]),
                Self::Stream(reader) => reader.read(&mut buffer[done..]),
            };
            match got {
                Ok(0) => break,
                Ok(n) => done += n,
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                Err(e) => {
                    self.forget_place();
                    return Err(e);
                }
            }
        }
        if let Self::File { at, .. } = self {
            *at += done as u64;
        }
        Ok(done)
    }
}

/// Buffers that blocks are read into.
#[derive(Default)]
struct Pool {
    buffers: Vec<Arc<Vec<u8>>>,
}

impl Pool {
    /// A buffer that nobody else holds.
    fn take(&mut self) -> Arc<Vec<u8>> {
        let free = self.buffers.iter_mut().position(|b| Arc::get_mut(b).is_some());
        free.map_or_else(Arc::default, |i| self.buffers.swap_remove(i))
    }

    fn keep(&mut self, buffer: &Arc<Vec<u8>>) {
        if self.buffers.len() == POOL_BUFFERS {
            self.buffers.remove(0);
        }
        self.buffers.push(Arc::clone(buffer));
    }
}

/// A block with samples that are not finite, being cut up.
struct Piece {
    bytes: Arc<Vec<u8>>,
    start: SampleIndex,
    /// Frames of it that are dealt with.
    done: usize,
}

/// A recording, open for reading.
///
/// Items come in order and without overlap: each begins where the one before ended. Lost samples and stretches
/// that are not finite numbers are gaps.
pub struct Recording {
    info: RecordingInfo,
    warnings: Vec<SourceWarning>,
    not_finite_warning: Option<usize>,
    input: Input,
    steps: Vec<Step>,
    step: usize,
    /// Samples of the step that are read.
    step_done: u64,
    block_samples: usize,
    frame_bytes: usize,
    pool: Pool,
    piece: Option<Piece>,
    bad: Option<Gap>,
    samples_read: u64,
    /// Doubts found where the input ended, told once everything before is handed on: so their order does not
    /// depend on the block size.
    at_end: Vec<SourceWarning>,
}

impl std::fmt::Debug for Recording {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Recording")
            .field("info", &self.info)
            .field("samples_read", &self.samples_read)
            .finish_non_exhaustive()
    }
}

impl Recording {
    pub(crate) fn new(
        info: RecordingInfo,
        warnings: Vec<SourceWarning>,
        input: Input,
        steps: Vec<Step>,
        block_samples: usize,
    ) -> Self {
        let frame_bytes = info.format.bytes_per_sample() * info.channels;
        Self {
            info,
            warnings,
            not_finite_warning: None,
            input,
            steps,
            step: 0,
            step_done: 0,
            block_samples,
            frame_bytes,
            pool: Pool::default(),
            piece: None,
            bad: None,
            samples_read: 0,
            at_end: Vec::new(),
        }
    }

    /// What is known beside the samples.
    pub fn info(&self) -> &RecordingInfo {
        &self.info
    }

    /// Doubts so far; more may come up to the end of the recording.
    pub fn warnings(&self) -> &[SourceWarning] {
        &self.warnings
    }

    /// Samples of each channel that were read, those that were not finite included; lost ones are not.
    pub fn samples_read(&self) -> u64 {
        self.samples_read
    }

    /// The next block or gap; `None` at the end.
    ///
    /// A block has at most `block_samples` samples of each channel. Its buffer is used again once every clone of
    /// its `Arc` is gone.
    ///
    /// # Errors
    /// [`ReadError`] where the operating system fails. Of a file the call may be repeated; a pipe has lost what was read.
    pub fn next_item(&mut self) -> Result<Option<StreamItem<RawBlock>>, ReadError> {
        loop {
            if let Some(item) = self.next_of_piece() {
                return Ok(Some(item));
            }
            match self.steps.get(self.step).copied() {
                Some(Step::Read { start, byte, samples }) => self.read_block(start, byte, samples)?,
                Some(Step::Gap(gap)) => {
                    if let Some(bad) = self.bad.take() {
                        return Ok(Some(StreamItem::Gap(bad)));
                    }
                    self.step += 1;
                    return Ok(Some(StreamItem::Gap(gap)));
                }
                None => {
                    self.warnings.append(&mut self.at_end);
                    return Ok(self.bad.take().map(StreamItem::Gap));
                }
            }
        }
    }

    /// Reads the next block of a step into `piece`.
    fn read_block(
        &mut self,
        start: SampleIndex,
        byte: Option<u64>,
        samples: Option<u64>,
    ) -> Result<(), ReadError> {
        let left = samples.map_or(u64::MAX, |n| n - self.step_done);
        if left == 0 {
            self.next_step();
            return Ok(());
        }
        let frames = usize::try_from(left)
            .unwrap_or(usize::MAX)
            .min(self.block_samples);
        let at = start.plus(self.step_done);
        let from = byte.map(|b| b + self.step_done * self.frame_bytes as u64);
        let (bytes, got) = self.read_frames(from, frames).map_err(|source| ReadError::Io {
            file: self.info.name.clone(),
            at,
            source,
        })?;
        let got_frames = got / self.frame_bytes;
        self.step_done += got_frames as u64;
        self.samples_read += got_frames as u64;
        if got_frames > 0 {
            self.piece = Some(Piece {
                bytes,
                start: at,
                done: 0,
            });
        }
        if got_frames < frames {
            self.end_early(got % self.frame_bytes, samples.is_some());
        }
        Ok(())
    }

    fn read_frames(&mut self, from: Option<u64>, frames: usize) -> io::Result<(Arc<Vec<u8>>, usize)> {
        if let Some(byte) = from {
            self.input.seek_to(byte)?;
        }
        let mut buffer = self.pool.take();
        let bytes = Arc::get_mut(&mut buffer).expect("the pool gives buffers that nobody else holds");
        bytes.resize(frames * self.frame_bytes, 0);
        let got = self.input.fill(bytes)?;
        bytes.truncate(got - got % self.frame_bytes);
        self.pool.keep(&buffer);
        Ok((buffer, got))
    }

    fn next_step(&mut self) {
        self.step += 1;
        self.step_done = 0;
    }

    /// The input ended within a step: nothing can follow.
    fn end_early(&mut self, left_over_bytes: usize, was_announced: bool) {
        if left_over_bytes > 0 {
            self.at_end.push(SourceWarning::PartFrame {
                bytes: left_over_bytes as u64,
                frame_bytes: self.frame_bytes,
            });
        }
        if was_announced {
            self.at_end.push(SourceWarning::Short {
                found: self.samples_read,
                expected: self.steps.iter().map(step_samples).sum(),
                by: "the file's header or its length when it was opened".to_owned(),
            });
        } else if self.samples_read == 0 {
            self.at_end.push(SourceWarning::Empty);
        }
        self.step = self.steps.len();
    }

    /// Hands on the rest of a block: whole where every sample is finite, else cut at the bad stretches.
    fn next_of_piece(&mut self) -> Option<StreamItem<RawBlock>> {
        while let Some(piece) = &mut self.piece {
            let format = self.info.format;
            let rest = &piece.bytes[piece.done * self.frame_bytes..];
            let (run, good) = if all_finite(format, rest) {
                (rest.len() / self.frame_bytes, true)
            } else {
                leading_run(format, self.frame_bytes, rest)
            };
            let start = piece.start.plus(piece.done as u64);
            if good && let Some(bad) = self.bad.take() {
                return Some(StreamItem::Gap(bad));
            }
            let whole = run * self.frame_bytes == piece.bytes.len();
            let bytes = (good && !whole).then(|| Arc::new(rest[..run * self.frame_bytes].to_vec()));
            let ends = run * self.frame_bytes == rest.len();
            let bytes = bytes.unwrap_or_else(|| Arc::clone(&piece.bytes));
            piece.done += run;
            if ends {
                self.piece = None;
            }
            if good {
                return Some(StreamItem::Block(RawBlock {
                    start,
                    format,
                    channels: self.info.channels,
                    bytes,
                }));
            }
            self.note_bad(start, run as u64);
        }
        None
    }

    /// Joins a bad stretch to the one before, so that the cut into blocks does not show.
    fn note_bad(&mut self, start: SampleIndex, count: u64) {
        let gap = self.bad.get_or_insert(Gap {
            start,
            samples: 0,
            cause: GapCause::NotFinite,
        });
        gap.samples += count;
        let at = *self.not_finite_warning.get_or_insert_with(|| {
            self.warnings.push(SourceWarning::NotFinite { samples: 0 });
            self.warnings.len() - 1
        });
        if let Some(SourceWarning::NotFinite { samples }) = self.warnings.get_mut(at) {
            *samples += count;
        }
    }
}

fn step_samples(step: &Step) -> u64 {
    match step {
        Step::Read { samples, .. } => samples.unwrap_or(0),
        Step::Gap(_) => 0,
    }
}
