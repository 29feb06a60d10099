//! Published values and the honesty tests against them.
