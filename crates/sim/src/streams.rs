//! One stream of random numbers for each purpose.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;

/// Starts the stream for one purpose.
///
/// Streams are keyed by the scene's seed and by names, never by the order of drawing, so that an element added to a
/// scene shifts no draw of the others.
pub(crate) fn stream(seed: u64, purpose: &[&str]) -> ChaCha8Rng {
    // FNV-1a with 64 bit: fixed for ever, unlike the standard library's hasher. A separator that names cannot hold keeps
    // ["ab", "c"] and ["a", "bc"] apart.
    let mut hash: u64 = 0xcbf2_9ce4_8422_2325;
    for byte in purpose
        .iter()
        .flat_map(|word| word.bytes().chain(std::iter::once(0)))
    {
        hash = (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3);
    }
    ChaCha8Rng::seed_from_u64(mix(seed).wrapping_add(hash))
}

/// Spreads neighbouring seeds over the whole range (finaliser of `SplitMix64`; Steele, Lea and Flood, *Fast splittable
/// pseudorandom number generators*, 2014).
fn mix(seed: u64) -> u64 {
    let mut z = seed.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::Rng;

    #[test]
    fn purposes_and_seeds_have_streams_of_their_own() {
        let first = |seed, purpose: &[&str]| stream(seed, purpose).next_u64();
        assert_eq!(first(1, &["a", "b"]), first(1, &["a", "b"]));
        assert_ne!(first(1, &["a", "b"]), first(2, &["a", "b"]));
        assert_ne!(first(1, &["a", "b"]), first(1, &["ab"]));
        assert_ne!(first(1, &["ab", "c"]), first(1, &["a", "bc"]));
    }
}
