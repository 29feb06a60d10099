//! Direction-finding reports of APRS: position, course/speed, bearing and number/range/quality.
//!
//! APRS Protocol Reference 1.0.1 (2000), chapters 7 and 8. What that text leaves open is settled here:
//!
//! - **Quality** gives an accuracy below a number of degrees and does not say whether to each side or from side to side.
//!   Written is the best quality whose degrees, **from side to side**, hold 95 % of the density; read are the degrees **to each side**, as 95 %.
//!   So neither end claims more than the other meant.
//! - **Number** 0 makes range and quality meaningless: such a bearing is read with 30 degrees (1 sigma). Written is 9 (taken by a person)
//!   for bearings by hand, 8 (all of the time) for others.
//! - **Range** is 2^R miles. It is not read: the position comes from crossing bearings, not from a guess of the distance.
//! - **Bearings** are counted from true north.

mod read;
mod write;

pub use read::{AprsError, AprsWarning, read_aprs_bearings};
pub use write::bearings_aprs;

/// Degrees below which a bearing with quality 1 to 9 lies: chapter 7, table of Q.
const QUALITY_DEG: [f64; 9] = [240.0, 120.0, 64.0, 32.0, 16.0, 8.0, 4.0, 2.0, 1.0];
/// Symbol table and code of a direction-finding station.
const DF_SYMBOL: (u8, u8) = (b'/', b'\\');
/// Longest comment behind the report.
const COMMENT_CHARS: usize = 28;
