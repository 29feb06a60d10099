//! The channel filters of all receivers, side by side.

use lobewright_dsp::{BankError, ChannelBank};
use lobewright_types::{ChannelBlock, RawBlock, Stage, StreamItem};

/// What came out of all receivers for the same piece of the recording, with the number of the receiver.
pub(crate) type Together = Vec<(usize, StreamItem<ChannelBlock>)>;

/// One bank of one channel for each receiver.
pub(crate) struct Receivers {
    banks: Vec<ChannelBank>,
}

impl Receivers {
    pub(crate) fn new(banks: Vec<ChannelBank>) -> Self {
        Self { banks }
    }

    fn each(
        &mut self,
        out: &mut dyn FnMut(Together),
        step: impl Fn(&mut ChannelBank, &mut dyn FnMut(StreamItem<ChannelBlock>)) -> Result<(), BankError>,
    ) -> Result<(), BankError> {
        let mut together = Together::new();
        for (receiver, bank) in self.banks.iter_mut().enumerate() {
            step(bank, &mut |item| together.push((receiver, item)))?;
        }
        if !together.is_empty() {
            out(together);
        }
        Ok(())
    }
}

impl Stage for Receivers {
    type In = StreamItem<RawBlock>;
    type Out = Together;
    type Error = BankError;

    fn push(&mut self, input: Self::In, out: &mut dyn FnMut(Together)) -> Result<(), BankError> {
        self.each(out, |bank, out| bank.push(input.clone(), out))
    }

    fn finish(&mut self, out: &mut dyn FnMut(Together)) -> Result<(), BankError> {
        self.each(out, |bank, out| bank.finish(out))
    }
}
