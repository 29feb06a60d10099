//! Bearings and station positions become a position with its regions.
