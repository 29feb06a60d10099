//! `demo`: a whole hunt, from a simulated transmitter to the map.

use std::fmt::Write as _;
use std::path::Path;

use lobewright_sim::Scene;
use lobewright_station::RunOptions;

use crate::args::{DemoArgs, ReportFormat};
use crate::fault::{Done, Outcome};
use crate::output::{print, remark, write_file};
use crate::pictures::Truth;
use crate::{cmd_run, cmd_simulate, pictures};

/// Simulates and works a hunt.
pub(crate) fn demo(args: &DemoArgs, quiet: bool) -> Outcome {
    let scene = Scene::hill_country_demo(args.seed);
    remark(
        quiet,
        &format!(
            "simulating {} places (seed {})",
            scene.stations().len(),
            args.seed
        ),
    );
    cmd_simulate::render(&scene, &args.out, quiet)?;
    let truth = cmd_simulate::write_truth(&scene, &args.out)?;
    let config = cmd_simulate::pipeline_of(&scene, None)?;
    write_file(&args.out.join("pipeline.toml"), config.to_toml().as_bytes())?;

    let options = RunOptions {
        base: args.out.clone(),
        threads: 0,
        spectrograms: true,
    };
    let result = cmd_run::carry_out(&config, &options, quiet)?;
    // From here on the truth is only drawn beside the result and compared with it.
    let known = Truth {
        position: truth.transmitters[0].position,
        bearings: truth.stations.iter().map(|s| s.transmitters[0].bearing).collect(),
    };
    cmd_run::write_results(&args.out, &config, &result)?;
    pictures::write_all(&args.out, &config, &result, Some(&known))?;
    let mut text = cmd_run::for_stdout(&result, ReportFormat::Table);
    if let Some(comparison) = crate::report::against_truth(result.fix.as_ref(), known.position) {
        let _ = writeln!(text, "{comparison}");
    }
    let report = args.out.join("report.html");
    let _ = writeln!(text, "\nmap        {}", args.out.join("map.png").display());
    let _ = writeln!(text, "report     {}", report.display());
    print(&text)?;
    if args.show {
        show(&report, quiet);
    }
    Ok(if cmd_run::found_something(&result) {
        Done::Found
    } else {
        Done::Nothing
    })
}

/// Opens the report where there is a desktop to open it on.
fn show(report: &Path, quiet: bool) {
    let desktop = cfg!(any(target_os = "macos", target_os = "windows"))
        || ["DISPLAY", "WAYLAND_DISPLAY"]
            .iter()
            .any(|v| std::env::var_os(v).is_some());
    if !desktop {
        remark(
            quiet,
            "no desktop here: open the report in a browser to see the pictures",
        );
    } else if let Err(e) = open::that_detached(report) {
        remark(
            quiet,
            &format!("cannot open the report by itself ({e}): open it in a browser"),
        );
    }
}
