//! What is written comes back as it was.
#![allow(clippy::unwrap_used, reason = "a test that cannot be set up fails")]

mod common;

use std::path::Path;

use common::{decode, drain, read_all};
use lobewright_source::{
    Annotation, Capture, Checksum, OpenOptions, SigmfWriter, WriteError, WriteInfo, open, pack_archive,
    verify_sha512,
};
use lobewright_types::{Azimuth, Gap, GapCause, Position, Sample, SampleFormat, SampleIndex};

fn samples(count: usize) -> Vec<Sample> {
    (0..count)
        .map(|k| {
            let x = f32::from(u8::try_from(k % 201).unwrap()) / 101.0 - 0.99;
            Sample::new(x, -x / 2.0)
        })
        .collect()
}

fn capture(start: u64) -> Capture {
    Capture {
        start: SampleIndex(start),
        center_hz: Some(145.3e6),
        ..Capture::default()
    }
}

fn left_behind(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

#[test]
fn every_format_comes_back_within_half_a_step() {
    let folder = tempfile::tempdir().unwrap();
    let sent = samples(1000);
    for format in SampleFormat::all() {
        let base = folder.path().join(format!("all.{format}"));
        let mut writer = SigmfWriter::create(&base, &WriteInfo::new(format, 25e3)).unwrap();
        writer.write_samples(&sent).unwrap();
        let path = writer.finish().unwrap();
        let mut recording = open(&path, &OpenOptions::default()).unwrap();
        assert_eq!(recording.info().format, format);
        let bytes = drain(&mut recording).bytes();
        let got = decode(&recording, &bytes, 0);
        assert_eq!(got.len(), sent.len());
        // Half a step of the coarsest format, 1 / 127.5 / 2, and single precision for the others.
        let tolerance = match format.scalar.bytes() {
            1 => 1.0 / 255.0 + 1e-6,
            2 => 1.0 / 65_535.0 + 1e-6,
            _ => 1e-6,
        };
        for (a, b) in sent.iter().zip(&got) {
            assert!((a.re - b.re).abs() <= tolerance, "{format}");
            let im = if format.complex { a.im } else { 0.0 };
            assert!((im - b.im).abs() <= tolerance, "{format}");
        }
        assert_eq!(
            verify_sha512(&path, &OpenOptions::default()).unwrap(),
            Checksum::Matches
        );
    }
}

/// Everything that a capture and an annotation can say, with lost samples between the captures.
fn full(base: &Path) -> (Vec<Capture>, Vec<Annotation>, std::path::PathBuf) {
    let info = WriteInfo {
        description: Some("d".to_owned()),
        hw: Some("h".to_owned()),
        author: Some("a".to_owned()),
        license: Some("https://spdx.org/licenses/CC0-1.0.html".to_owned()),
        position: Some(Position::from_lat_lon(1.5, -2.25).unwrap()),
        ..WriteInfo::new(SampleFormat::CI16_LE, 25e3)
    };
    let captures = vec![
        Capture {
            utc: Some("2026-02-14T03:25:00.5Z".parse().unwrap()),
            position: Some(Position::from_lat_lon(-41.29, 174.78).unwrap()),
            global_index: Some(7_000),
            aperture_azimuth: Some(Azimuth::from_degrees(350.0)),
            gain_db: Some(20.7),
            ..capture(0)
        },
        Capture {
            global_index: Some(7_400),
            aperture_azimuth: Some(Azimuth::from_degrees(10.0)),
            ..capture(400)
        },
        Capture {
            lost_before: 1_000,
            global_index: Some(8_600),
            ..capture(1_600)
        },
    ];
    let annotations = vec![
        Annotation {
            start: SampleIndex(100),
            count: Some(200),
            label: Some("burst".to_owned()),
            comment: Some("c".to_owned()),
            generator: Some("g".to_owned()),
            freq_lower_hz: Some(145.299e6),
            freq_upper_hz: Some(145.301e6),
            signal_azimuth: Some(Azimuth::from_degrees(30.0)),
            signal_sigma_deg: Some(2.5),
            emitter_position: Some(Position::from_lat_lon(-41.2, 174.9).unwrap()),
        },
        Annotation {
            start: SampleIndex(500),
            count: Some(1_200),
            ..Annotation::default()
        },
        Annotation {
            start: SampleIndex(1_700),
            count: None,
            signal_azimuth: Some(Azimuth::from_degrees(0.0)),
            ..Annotation::default()
        },
    ];
    let mut writer = SigmfWriter::create(base, &info).unwrap();
    writer.write_samples(&samples(1_000)).unwrap();
    for capture in captures.iter().rev() {
        writer.add_capture(capture.clone());
    }
    for annotation in annotations.iter().rev() {
        writer.annotate(annotation.clone());
    }
    (captures, annotations, writer.finish().unwrap())
}

#[test]
fn captures_annotations_and_losses_come_back_exactly() {
    let folder = tempfile::tempdir().unwrap();
    let (captures, annotations, path) = full(&folder.path().join("full"));
    let mut recording = open(&path, &OpenOptions::default()).unwrap();
    let info = recording.info().clone();
    assert_eq!(info.captures, captures);
    assert_eq!(info.annotations, annotations);
    assert_eq!(info.length_samples, Some(2_000));
    let texts = [&info.description, &info.hw, &info.author].map(|t| t.as_deref().unwrap().to_owned());
    assert_eq!(texts, ["d", "h", "a"]);
    assert_eq!(
        info.global_position,
        Some(Position::from_lat_lon(1.5, -2.25).unwrap())
    );
    assert_eq!(info.position_at(SampleIndex(1_600)), info.global_position);
    assert_eq!(info.azimuth_track.len(), 2);
    let seen = info.signal_azimuth_true(&info.annotations[0]).unwrap();
    assert!((seen.degrees() - 20.0).abs() < 1e-9, "350 + 30 is 20");
    // The third capture has no time of its own: it counts from the first, lost samples included.
    assert_eq!(
        info.utc_at(SampleIndex(1_625)).unwrap().to_string(),
        "2026-02-14T03:25:00.565Z"
    );
    let whole = drain(&mut recording);
    assert_eq!(whole.warnings, []);
    assert_eq!(
        whole.gaps(),
        [Gap {
            start: SampleIndex(600),
            samples: 1_000,
            cause: GapCause::Lost
        }]
    );
    let mut names = left_behind(folder.path());
    names.sort();
    assert_eq!(names, ["full.sigmf-data", "full.sigmf-meta"]);
}

#[test]
fn an_archive_gives_what_the_pair_gives() {
    let folder = tempfile::tempdir().unwrap();
    let (_, _, path) = full(&folder.path().join("full"));
    let archive = folder.path().join("full.sigmf");
    pack_archive(&path, &archive).unwrap();
    let from_pair = open(&path, &OpenOptions::default()).unwrap();
    let from_archive = open(&archive, &OpenOptions::default()).unwrap();
    assert_eq!(from_archive.info().captures, from_pair.info().captures);
    assert_eq!(from_archive.info().annotations, from_pair.info().annotations);
    assert_eq!(
        read_all(&archive, &OpenOptions::default()).items,
        read_all(&path, &OpenOptions::default()).items
    );
    assert_eq!(
        verify_sha512(&archive, &OpenOptions::default()).unwrap(),
        Checksum::Matches
    );
    assert!(matches!(
        pack_archive(&path, &archive),
        Err(WriteError::Exists { .. })
    ));
    // POSIX.1-2001 (IEEE Std 1003.1, pax, 'ustar interchange format'): magic at byte 257 of a header.
    let bytes = std::fs::read(&archive).unwrap();
    assert_eq!(&bytes[257..263], b"ustar\0");
    assert_eq!(bytes.len() % 512, 0);
}

#[test]
fn a_recording_of_an_archive_is_chosen_by_name() {
    let folder = tempfile::tempdir().unwrap();
    let mut tar = tar::Builder::new(std::fs::File::create(folder.path().join("two.sigmf")).unwrap());
    for (name, format) in [("first", "ci8"), ("second", "cu8")] {
        let meta = format!(
            r#"{{"global": {{"core:datatype": "{format}", "core:version": "1.2.5", "core:sample_rate": 10}},
                "captures": [], "annotations": []}}"#
        );
        for (suffix, bytes) in [("data", b"abcd".as_slice()), ("meta", meta.as_bytes())] {
            let mut header = tar::Header::new_ustar();
            header.set_size(bytes.len() as u64);
            tar.append_data(&mut header, format!("{name}.sigmf-{suffix}"), bytes)
                .unwrap();
        }
    }
    tar.into_inner().unwrap();
    let path = folder.path().join("two.sigmf");
    let named = |name: &str| OpenOptions {
        recording: Some(name.to_owned()),
        ..OpenOptions::default()
    };
    let first = open(&path, &OpenOptions::default()).unwrap();
    assert_eq!(first.info().format, SampleFormat::CI8);
    assert_eq!(
        first.warnings()[0].to_string(),
        "the archive holds 1 more recordings; `first` is read: name another to read it"
    );
    let second = open(&path, &named("second")).unwrap();
    assert_eq!(second.info().format, SampleFormat::CU8);
    assert!(second.warnings().is_empty());
    let error = open(&path, &named("third")).unwrap_err().to_string();
    assert!(
        error.ends_with("holds no recording `third`; it holds first, second"),
        "{error}"
    );
}

#[test]
fn a_writer_that_is_dropped_leaves_nothing_behind() {
    let folder = tempfile::tempdir().unwrap();
    let info = WriteInfo::new(SampleFormat::CU8, 1e3);
    let mut writer = SigmfWriter::create(&folder.path().join("gone"), &info).unwrap();
    writer.write_bytes(&vec![0; 1_000_000]).unwrap();
    assert_eq!(left_behind(folder.path()), ["gone.sigmf-data.tmp"]);
    drop(writer);
    assert!(left_behind(folder.path()).is_empty());
    // And one whose last frame is not whole.
    let mut writer = SigmfWriter::create(&folder.path().join("gone"), &info).unwrap();
    writer.write_bytes(&[1, 2, 3]).unwrap();
    assert_eq!(
        writer.finish().unwrap_err().to_string(),
        "3 bytes were written, which is not a whole number of frames of 2 bytes"
    );
    assert!(left_behind(folder.path()).is_empty());
}

#[test]
fn a_recording_is_replaced_only_when_allowed() {
    let folder = tempfile::tempdir().unwrap();
    let base = folder.path().join("a.b");
    let mut info = WriteInfo::new(SampleFormat::CU8, 1e3);
    for bytes in [[1_u8, 2], [3, 4]] {
        let mut writer = SigmfWriter::create(&base, &info).unwrap();
        writer.write_bytes(&bytes).unwrap();
        let path = writer.finish().unwrap();
        assert_eq!(read_all(&path, &OpenOptions::default()).bytes(), bytes);
        info.overwrite = false;
        assert!(matches!(
            SigmfWriter::create(&base, &info),
            Err(WriteError::Exists { .. })
        ));
        info.overwrite = true;
    }
    assert_eq!(left_behind(folder.path()), ["a.b.sigmf-data", "a.b.sigmf-meta"]);
}

#[test]
fn any_cut_of_written_bytes_gives_the_same_file() {
    let folder = tempfile::tempdir().unwrap();
    let bytes: Vec<u8> = (0..700_001_u32)
        .map(|k| k.to_le_bytes()[0])
        .take(700_000)
        .collect();
    let mut files = Vec::new();
    for (name, cut) in [("one", 700_000), ("odd", 977), ("big", 300_001)] {
        let info = WriteInfo::new(SampleFormat::CI16_LE, 1e3);
        let mut writer = SigmfWriter::create(&folder.path().join(name), &info).unwrap();
        for part in bytes.chunks(cut) {
            writer.write_bytes(part).unwrap();
        }
        let path = writer.finish().unwrap();
        files.push(std::fs::read_to_string(&path).unwrap());
        assert_eq!(std::fs::read(path.with_extension("sigmf-data")).unwrap(), bytes);
    }
    assert!(files.iter().all(|f| *f == files[0]));
}

#[test]
fn what_may_not_stand_in_a_recording_is_refused_by_name() {
    let check = |build: &dyn Fn(&mut SigmfWriter), want: &str| {
        let folder = tempfile::tempdir().unwrap();
        let info = WriteInfo::new(SampleFormat::CU8, 1e3);
        let mut writer = SigmfWriter::create(&folder.path().join("x"), &info).unwrap();
        writer.write_bytes(&[0; 200]).unwrap();
        build(&mut writer);
        let error = writer.finish().unwrap_err().to_string();
        assert!(error.contains(want), "{error}");
        assert!(left_behind(folder.path()).is_empty());
    };
    let note = |a: Annotation| move |w: &mut SigmfWriter| w.annotate(a.clone());
    let cap = |c: Capture| {
        move |w: &mut SigmfWriter| {
            w.add_capture(capture(0));
            w.add_capture(c.clone());
        }
    };
    check(
        &cap(Capture {
            center_hz: Some(f64::NAN),
            ..capture(5)
        }),
        "captures[1].center_hz is NaN, but must be",
    );
    check(
        &cap(capture(0)),
        "must be above 0, where the capture before starts",
    );
    check(&cap(capture(100)), "must be within the 100 samples written");
    check(
        &|w| w.add_capture(capture(3)),
        "captures[0].start is 3 with 0 lost, but must be 0",
    );
    check(
        &cap(Capture {
            lost_before: 9,
            ..capture(5)
        }),
        "captures[1].start is 5, but must be at least the 9 samples lost before it",
    );
    check(
        &cap(Capture {
            global_index: Some(77),
            ..capture(5)
        }),
        "captures[1].global_index is 77, but must be 5",
    );
    check(
        &cap(Capture {
            header_bytes: 4,
            ..capture(5)
        }),
        "captures[1].header_bytes is 4, but must be 0",
    );
    check(
        &note(Annotation {
            start: SampleIndex(90),
            count: Some(11),
            ..Annotation::default()
        }),
        "annotations[0].start is 90 with Some(11) samples, but must be within",
    );
    check(
        &note(Annotation {
            freq_lower_hz: Some(1.0),
            ..Annotation::default()
        }),
        "both or neither",
    );
    check(
        &note(Annotation {
            signal_azimuth: Some(Azimuth::from_degrees(f64::NAN)),
            ..Annotation::default()
        }),
        "annotations[0].signal_azimuth is NaN",
    );
    check(
        &note(Annotation {
            signal_sigma_deg: Some(1.0),
            ..Annotation::default()
        }),
        "left out where there is no signal_azimuth",
    );
}

#[test]
fn samples_that_are_not_finite_are_not_written() {
    let folder = tempfile::tempdir().unwrap();
    let info = WriteInfo::new(SampleFormat::CF32_LE, 1e3);
    let mut writer = SigmfWriter::create(&folder.path().join("x"), &info).unwrap();
    writer.write_samples(&samples(3)).unwrap();
    let bad = [Sample::new(0.0, 0.0), Sample::new(0.0, f32::NAN)];
    assert_eq!(
        writer.write_samples(&bad).unwrap_err().to_string(),
        "sample 4 (counted over all channels) is not a finite number"
    );
    let mut bytes = vec![0; 20];
    bytes.extend_from_slice(&f32::INFINITY.to_le_bytes());
    assert_eq!(
        writer.write_bytes(&bytes).unwrap_err().to_string(),
        "sample 5 (counted over all channels) is not a finite number"
    );
    let path = writer.finish().unwrap();
    assert_eq!(read_all(&path, &OpenOptions::default()).samples_read, 3);
}

#[test]
fn impossible_recordings_are_refused_before_the_first_sample() {
    let folder = tempfile::tempdir().unwrap();
    let base = folder.path().join("x");
    for rate_hz in [0.0, -1.0, f64::NAN, f64::INFINITY, 2e12] {
        let info = WriteInfo::new(SampleFormat::CU8, rate_hz);
        let error = SigmfWriter::create(&base, &info).unwrap_err().to_string();
        assert!(error.starts_with("rate_hz is "), "{error}");
    }
    let info = WriteInfo {
        channels: 0,
        ..WriteInfo::new(SampleFormat::CU8, 1.0)
    };
    assert_eq!(
        SigmfWriter::create(&base, &info).unwrap_err().to_string(),
        "channels is 0, but must be from 1 to 4096"
    );
    assert!(left_behind(folder.path()).is_empty());
}
