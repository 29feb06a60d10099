//! The form every stage has.

/// Turns a stream of `In` into a stream of `Out`.
///
/// A stage has no thread and no channel of its own, so a test is a loop over [`Stage::push`]. Its results do not
/// depend on how the stream was cut into blocks.
pub trait Stage {
    /// What goes in.
    type In;
    /// What comes out.
    type Out;
    /// Why it can fail.
    type Error: std::error::Error;

    /// Takes the next piece of the stream and hands on what it completes.
    ///
    /// # Errors
    /// As the stage says.
    fn push(&mut self, input: Self::In, out: &mut dyn FnMut(Self::Out)) -> Result<(), Self::Error>;

    /// Hands on what is still held back once the input has ended.
    ///
    /// # Errors
    /// As the stage says.
    fn finish(&mut self, out: &mut dyn FnMut(Self::Out)) -> Result<(), Self::Error>;
}
