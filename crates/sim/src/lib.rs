//! Truth to samples: emitters, paths, antennas, noise and receiver faults.
//!
//! A [`Scene`] is read from TOML; a [`Renderer`] makes one station's samples, block after block; the truth that belongs to
//! them ([`StationTruth`], [`SceneTruth`]) goes to tests and reports, never to an estimator. The same scene and seed give
//! the same bytes, however they are cut into blocks.
//!
//! ```
//! use lobewright_sim::Scene;
//!
//! let scene = Scene::hill_country_demo(1);
//! let mut renderer = scene.renderer(0)?;
//! let block = renderer.next_block().expect("the recording is not empty");
//! assert_eq!(block.start.0, 0);
//! assert!(renderer.truth().transmitters[0].snr_db.0 > 10.0);
//! # Ok::<(), lobewright_sim::SceneError>(())
//! ```

#![warn(clippy::disallowed_methods)]

mod check;
pub mod constants;
mod cycle;
mod emission;
mod error;
mod fading;
mod filter;
mod morse;
mod propagation;
mod receiver;
mod renderer;
mod rotator;
mod scene;
mod spec;
mod streams;
mod truth;
mod voice;

pub use error::SceneError;
pub use fading::FadingProcess;
pub use morse::{MorseText, code_of, dot_s};
pub use propagation::{free_space_loss_db, system_noise_dbm, thermal_noise_dbm};
pub use renderer::{RenderedBlock, Renderer};
pub use rotator::Rotator;
pub use scene::{HILL_COUNTRY_TOML, PatternResolver, Scene};
pub use spec::{
    AntennaScene, CycleScene, EmissionScene, FadingScene, IdentificationPlace, IdentificationScene,
    ImpulseScene, InterfererScene, MorseMode, PathLoss, ReceiverScene, ReflectionScene, RotatorScene,
    SceneHeader, StationScene, TransmitterScene,
};
pub use truth::{BurstTruth, ReceivedTruth, ReflectionTruth, SceneTruth, StationTruth, TransmitterTruth};
