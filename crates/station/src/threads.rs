//! Stages on threads of their own, joined by bounded channels.

use crossbeam_channel::{Receiver, Sender};
use lobewright_types::Stage;

/// Runs a stage between two channels until its input is closed, then lets it hand on what it held back.
///
/// A full output makes it wait: a recording may always wait. Where the receiver of the output is gone the stage ends
/// early and without a fault, since whoever dropped it says why.
///
/// # Errors
/// As the stage.
pub(crate) fn run_stage<S: Stage>(
    stage: &mut S,
    input: &Receiver<S::In>,
    output: &Sender<S::Out>,
) -> Result<(), S::Error> {
    let mut open = true;
    for item in input {
        stage.push(item, &mut |out| open &= output.send(out).is_ok())?;
        if !open {
            return Ok(());
        }
    }
    stage.finish(&mut |out| open &= output.send(out).is_ok())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Adds pairs; the odd one out comes at the end.
    struct Pairs(Option<u32>);

    impl Stage for Pairs {
        type In = u32;
        type Out = u32;
        type Error = std::num::TryFromIntError;

        fn push(&mut self, input: u32, out: &mut dyn FnMut(u32)) -> Result<(), Self::Error> {
            u8::try_from(input)?;
            match self.0.take() {
                Some(first) => out(first + input),
                None => self.0 = Some(input),
            }
            Ok(())
        }

        fn finish(&mut self, out: &mut dyn FnMut(u32)) -> Result<(), Self::Error> {
            if let Some(last) = self.0.take() {
                out(last);
            }
            Ok(())
        }
    }

    fn sums(items: &[u32]) -> (Vec<u32>, bool) {
        let (give, input) = crossbeam_channel::bounded(1);
        let (output, take) = crossbeam_channel::bounded(1);
        std::thread::scope(|scope| {
            let stage = scope.spawn(move || run_stage(&mut Pairs(None), &input, &output));
            let taker = scope.spawn(move || take.iter().collect::<Vec<_>>());
            for item in items {
                if give.send(*item).is_err() {
                    break;
                }
            }
            drop(give);
            let failed = stage.join().unwrap().is_err();
            (taker.join().unwrap(), failed)
        })
    }

    #[test]
    fn what_is_held_back_comes_when_the_input_closes() {
        assert_eq!(sums(&[1, 2, 3]), (vec![3, 3], false));
        assert_eq!(sums(&[]), (vec![], false));
    }

    #[test]
    fn a_fault_ends_the_stage_and_closes_its_output() {
        assert_eq!(sums(&[1, 2, 300, 4, 5, 6]), (vec![3], true));
    }
}
