//! Trials on several threads whose results do not depend on the number of threads.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

/// Generator of one trial of a row: seeded by the row's name, its stream the number of the trial. It is the same whatever else
/// is run.
pub(crate) fn generator(name: &str, trial: usize) -> ChaCha8Rng {
    let mut rng = ChaCha8Rng::seed_from_u64(seed(name));
    rng.set_stream(trial as u64);
    rng
}

/// FNV-1a, 64 bit (Fowler, Noll & Vo; IETF draft-eastlake-fnv).
pub(crate) fn seed(name: &str) -> u64 {
    name.bytes().fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
    })
}

/// `one` of each number from 0 to `count - 1`, in order.
pub(crate) fn map<T: Send>(count: usize, threads: usize, one: impl Fn(usize) -> T + Sync) -> Vec<T> {
    let next = AtomicUsize::new(0);
    let work = || {
        let mut done = Vec::new();
        loop {
            let number = next.fetch_add(1, Ordering::Relaxed);
            if number >= count {
                return done;
            }
            done.push((number, one(number)));
        }
    };
    let mut done: Vec<(usize, T)> = thread::scope(|scope| {
        let workers: Vec<_> = (0..threads.max(1)).map(|_| scope.spawn(work)).collect();
        workers
            .into_iter()
            .flat_map(|worker| worker.join().expect("a trial that does not panic"))
            .collect()
    });
    done.sort_by_key(|(number, _)| *number);
    done.into_iter().map(|(_, result)| result).collect()
}
