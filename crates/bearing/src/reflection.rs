//! A second arrival of the same signal.

use lobewright_types::CircleDensity;

use crate::output::SecondArrival;
use crate::search::{Plan, Search};

pub(crate) struct TwoArrivals {
    pub(crate) density: CircleDensity,
    pub(crate) arrival: SecondArrival,
}

pub(crate) fn test(_: &mut Search<'_>, _: &Plan, _: &CircleDensity) -> Option<TwoArrivals> {
    None
}
