//! What `tilt-correct` checks while the job is planned.

use super::{AimOption, Names, Options, SensorsOption};
use crate::rig::ledger::{self, Ledger, point_word};
use crate::rig::north::{Convergence, ToTrue, settle};
use crate::rig::target::AttitudeNoise;
use pipeline_base::diag::{Diagnostic, Verdict};
use pipeline_base::place::Locality;
use pipeline_base::problem::Problem;
use pipeline_base::rig::{Attitude, AttitudeKind, North, Rig, Sentence};
use pipeline_base::table::by_role;
use pipeline_base::table::schema::{Axes, Heights, PhysicalPoint, Role, Schema};
use pipeline_base::time as clock;
use pipeline_core::stage::BindCx;
use survey_geodesy::findings::named_group;
use survey_geodesy::{Ellipsoid, ellipsoid_of};

/// The frame of the epochs: geographic, ellipsoidal, at the point that the rig says.
pub(crate) fn frame(input: &Schema, rig: &Rig) -> Vec<Problem> {
    let Some(frame) = &input.frame else {
        return vec![
            Problem::new("plan/frame-mismatch", "`tilt-correct` needs positions and its input has none").fix("put it after `occupations`"),
        ];
    };
    let mut problems = vec![];
    if frame.point == PhysicalPoint::Target {
        problems.push(
            Problem::blocks("rig/length-twice", "the coordinates already mean the target")
                .why("an earlier step has applied the lengths of the rig; they would be in the chain twice")
                .fix("keep one `tilt-correct` in each branch of the job"),
        );
    } else if frame.point != rig.receiver_output {
        problems.push(
            Problem::new(
                "rig/point-mismatch",
                format!(
                    "the rig says that the log gives `{}`, and the coordinates mean `{}`",
                    point_word(rig.receiver_output),
                    point_word(frame.point)
                ),
            )
            .rig_key("receiver_output")
            .fix("take the point from the rig in the step that reads the log, and name one rig in the job"),
        );
    }
    if frame.axes != Axes::Geographic || frame.heights != Heights::Ellipsoidal {
        problems.push(
            Problem::new("plan/frame-mismatch", "`tilt-correct` needs latitude, longitude and ellipsoidal height")
                .why("offsets are added in east, north, up on the ellipsoid; in grid axes they would be turned by the convergence")
                .size("a convergence of 1.27 deg moves a target 3 m away by 0.067 m")
                .fix("put `tilt-correct` before `height-convert` and `reproject`"),
        );
    }
    problems
}

/// The ellipsoid of the frame.
pub(crate) fn ellipsoid(input: &Schema, cx: &BindCx, problems: &mut Vec<Problem>) -> Option<Ellipsoid> {
    let frame = input.frame.as_ref()?;
    if let Some(problem) = cx.reference.and_then(|r| named_group(r, cx.locality)) {
        problems.push(problem);
        return None;
    }
    ellipsoid_of(&frame.crs).map_err(|p| problems.push(p.reference_key("corrections.frame"))).ok()
}

/// The columns, by role.
pub(crate) fn names(input: &Schema, problems: &mut Vec<Problem>) -> Option<Names> {
    let before = problems.len();
    let mut need = |role| match by_role(input, role) {
        Ok(column) => column.name.clone(),
        Err(problem) => {
            problems.push(problem.fix("start the job with `ingest-nmea` or `ingest-csv`"));
            String::new()
        }
    };
    let (time, latitude, longitude, height) =
        (need(Role::Time), need(Role::Latitude), need(Role::Longitude), need(Role::EllipsoidalHeight));
    let have = |role| input.role(role).map(|c| c.name.clone());
    (problems.len() == before).then(|| Names {
        time,
        latitude,
        longitude,
        height,
        heading: have(Role::Heading),
        pitch: have(Role::Pitch),
        roll: have(Role::Roll),
        range: have(Role::Range),
        turn_rate: have(Role::TurnRate),
        speed: have(Role::Speed),
        heading_sigma: have(Role::HeadingSigma),
        sigma_east: have(Role::SigmaEast),
        sigma_north: have(Role::SigmaNorth),
        sigma_up: have(Role::SigmaUp),
        correlation: have(Role::CorrelationEastNorth),
        assumed: have(Role::SigmaAssumed),
        aim: have(Role::Aim),
    })
}

/// What is aimed with.
pub(crate) fn aim(options: &Options, input: &Schema, problems: &mut Vec<Problem>) -> Option<AimOption> {
    let column = input.role(Role::Aim).is_some();
    match options.aim {
        None if column => Some(AimOption::Column),
        Some(AimOption::Column) if !column => {
            problems.push(
                Problem::new("plan/missing-role", "`aim: column` needs an `aim` column and the input has none")
                    .option("aim")
                    .fix("put `occupations` before, with the aim in the field notes; or say `aim: tip` or `aim: laser`"),
            );
            None
        }
        None => {
            problems.push(
                Problem::new("rig/which-aim", "it is not said whether the shots were aimed with the tip or the laser")
                    .why("the input has no `aim` column, and a log does not say it")
                    .size("the two differ by the whole range")
                    .fix("say `aim: tip` or `aim: laser`"),
            );
            None
        }
        said => said,
    }
}

/// The ledgers that are needed. With `aim: column` each chain that the rig declares must be whole; a
/// row whose aim the rig does not declare at all is set aside when the data is read.
pub(crate) fn ledgers(rig: &Rig, aim: AimOption, problems: &mut Vec<Problem>) -> (Option<Ledger>, Option<Ledger>) {
    let by_receiver = rig.receiver_output == PhysicalPoint::PoleTip;
    let (tip, laser) = match aim {
        AimOption::Tip => (true, false),
        AimOption::Laser => (false, true),
        // A rig that declares neither is told about the pole.
        AimOption::Column => (rig.pole.is_some() || by_receiver || rig.laser.is_none(), rig.laser.is_some()),
    };
    let mut keep = |ledger: Result<Ledger, Vec<Problem>>| match ledger {
        Ok(ledger) => Some(ledger),
        Err(found) => {
            for problem in found {
                let known = problems.iter().any(|p| p.finding == problem.finding && p.rig_key == problem.rig_key);
                if !known {
                    problems.push(problem);
                }
            }
            None
        }
    };
    let tip = if tip { keep(ledger::to_tip(rig)) } else { None };
    let laser = if laser { keep(ledger::to_laser(rig)) } else { None };
    (tip, laser)
}

/// The option for a pole without a sensor.
pub(crate) fn vertical(options: &Options, rig: &Rig, tip: Option<&Ledger>, laser: Option<&Ledger>, problems: &mut Vec<Problem>) {
    let turned = [tip, laser].into_iter().flatten().any(Ledger::needs_attitude);
    match options.pole_held_vertical_within_deg {
        Some(within) if !(0.0..=10.0).contains(&within) => problems.push(
            Problem::new("job/bad-value", format!("`{within}` is not a bubble's standard deviation between 0 and 10 deg"))
                .option("pole_held_vertical_within_deg")
                .fix("give 1 sigma in degrees; 20 arc-minutes are 0.33"),
        ),
        Some(_) if rig.attitude.is_some() => problems.push(
            Problem::new("rig/vertical-with-attitude", "the pole cannot be both taken as vertical and turned by a sensor")
                .option("pole_held_vertical_within_deg")
                .why("the rig declares `attitude`")
                .fix("remove `pole_held_vertical_within_deg`, or use a rig without `attitude`"),
        ),
        Some(_) if laser.is_none() && tip.is_some_and(|l| !l.needs_attitude()) => problems.push(
            Problem::new("rig/vertical-without-need", "the receiver writes the tip, so nothing is left to hold vertical")
                .option("pole_held_vertical_within_deg")
                .fix("remove `pole_held_vertical_within_deg`"),
        ),
        None if rig.attitude.is_none() && laser.is_none() && turned => {
            let length = rig.pole.map_or(2.0, |p| p.reference_point_to_tip.z_m);
            problems.push(
                Problem::new("rig/no-attitude", "the pole has no attitude sensor and it is not said that it was held vertical")
                    .rig_key("attitude")
                    .size(format!("{:.3} m for each degree of lean", length * 1.0_f64.to_radians().sin()))
                    .fix("say `pole_held_vertical_within_deg` in `tilt-correct` (1 sigma of the bubble), or give `attitude` in the rig"),
            );
        }
        _ => {}
    }
    if laser.is_some() && rig.attitude.is_none() {
        problems.push(
            Problem::new("rig/no-attitude", "the laser's direction is not known: the rig has no attitude sensor")
                .rig_key("attitude")
                .size("up to the whole range")
                .fix("give `attitude` in the rig, with the north that its heading counts from; or `aim: tip`"),
        );
    }
}

/// Every sensor that is needed must be named.
pub(crate) fn sensors(rig: &Rig, from: SensorsOption, laser: bool, problems: &mut Vec<Problem>) {
    let Some(attitude) = &rig.attitude else { return };
    kind_is_whole(attitude, laser, problems);
    if from == SensorsOption::Joined {
        return;
    }
    let s = &rig.sensors;
    let (heading, pitch, roll) = (("heading", s.heading.is_some()), ("pitch", s.pitch.is_some()), ("roll", s.roll.is_some()));
    let (tilt, azimuth) = (("tilt", s.tilt.is_some()), ("lean_azimuth", s.lean_azimuth.is_some()));
    let mut needed = match attitude.kind {
        AttitudeKind::HeadingPitchRoll => vec![heading, pitch, roll],
        AttitudeKind::PitchRoll => vec![pitch, roll],
        AttitudeKind::TiltAzimuth => vec![tilt, azimuth],
        AttitudeKind::TiltAzimuthHeading => vec![heading, tilt, azimuth],
        AttitudeKind::Quaternion => vec![("quaternion", s.quaternion.is_some())],
    };
    needed.push(("range", !laser || s.range.is_some()));
    for (name, there) in needed {
        if !there {
            problems.push(
                Problem::new("rig/sensor-missing", format!("the rig does not say where the {} stands in the log", if name == "lean_azimuth" { "azimuth of the lean" } else { name }))
                    .rig_key(format!("sensors.{name}"))
                    .why("without it every epoch would be set aside")
                    .fix(format!("give `sensors.{name}` in the rig; or say `sensors: joined` in `tilt-correct` when `time-join` or `ingest-csv` brings it")),
            );
        }
    }
}

/// What a kind of attitude needs to be said, and what it cannot do.
fn kind_is_whole(attitude: &Attitude, laser: bool, problems: &mut Vec<Problem>) {
    let leans = matches!(attitude.kind, AttitudeKind::TiltAzimuth | AttitudeKind::TiltAzimuthHeading);
    if leans && attitude.lean_azimuth_of.is_none() {
        problems.push(
            Problem::new("rig/which-end", "it is not said which end of the pole the azimuth of the lean is of")
                .rig_key("attitude")
                .size("the wrong end moves the tip to the other side: 1.37 m for 20 deg on a pole of 2 m")
                .why("some sensors name where the top leans to, others where the foot is")
                .fix("say `attitude.lean_azimuth_of: top` or `foot`; hold the pole leaning north and look"),
        );
    }
    if attitude.kind == AttitudeKind::Quaternion && attitude.quaternion.is_none() {
        problems.push(
            Problem::new("rig/which-quaternion", "it is not said how the quaternion counts")
                .rig_key("attitude")
                .size("another pair of axes points the arm elsewhere: up to twice the whole arm, in m")
                .why("quaternions are written body to world or back, in north-east-down or east-north-up")
                .fix("give `attitude.quaternion` with `turns`, `world` and `body`"),
        );
    }
    if laser && matches!(attitude.kind, AttitudeKind::TiltAzimuth | AttitudeKind::PitchRoll) {
        problems.push(
            Problem::new("rig/no-heading", "the laser's direction is not known: the attitude has no heading of the body")
                .rig_key("attitude.kind")
                .size("up to twice the horizontal part of the range, in m")
                .why("tilt says how the pole leans, and not which way the laser faces")
                .fix("use a sensor with a heading, or `aim: tip`"),
        );
    }
}

/// A sentence that says by its own definition which north it counts from must not be declared otherwise.
pub(crate) fn north_of_sentence(rig: &Rig, locality: Option<Locality>, problems: &mut Vec<Problem>, notes: &mut Vec<Problem>) {
    let (Some(attitude), Some(heading)) = (&rig.attitude, &rig.sensors.heading) else { return };
    match (heading.sentence, attitude.north) {
        (Sentence::HDT, North::Grid) => {
            let at = locality.zip(attitude.grid_north_crs.as_ref());
            let turn = at.and_then(|(l, crs)| Convergence::new(crs.clone()).reader().at(l.latitude_deg, l.longitude_deg).ok());
            let size = turn.map_or_else(
                || "the grid convergence: 0.067 m on an offset of 3 m where it is 1.27 deg".to_owned(),
                |c| format!("the convergence here is {c:.3} deg: {:.3} m on an offset of 3 m", 3.0 * c.abs().to_radians().sin()),
            );
            problems.push(
                Problem::blocks("rig/north-and-sentence", "HDT is a true heading, and the rig counts it from grid north")
                    .rig_key("attitude.north")
                    .size(size)
                    .why("the sentence says true north by its definition (NMEA 0183); the tool adds offsets in the true local frame, so nothing has to be turned into the grid by hand")
                    .fix("set `attitude.north: \"true\"` and remove `grid_north_crs`; a sensor that really counts from the grid does not write HDT"),
            );
        }
        (Sentence::HDT, North::Magnetic) | (Sentence::HDM, North::True | North::Grid) => {
            let said = if heading.sentence == Sentence::HDT { "HDT is a true heading" } else { "HDM is a magnetic heading" };
            let north = match attitude.north {
                North::True => "true",
                North::Magnetic => "magnetic",
                North::Grid => "grid",
            };
            notes.push(
                Problem::from(
                    Diagnostic::new("rig/north-and-sentence", Verdict::Warn, format!("{said}, and the rig counts it from {north} north"))
                        .size("the declination: 0.278 m for 8 deg at 2 m")
                        .why("the sentence says which north it means by its definition (NMEA 0183); some sensors write the wrong one")
                        .fix("test the sensor along a line of known azimuth, then correct `attitude.north`"),
                )
                .rig_key("attitude.north"),
            );
        }
        _ => {}
    }
}

/// North and noise of the attitude.
pub(crate) fn settled(
    rig: &Rig,
    place: Option<Locality>,
    problems: &mut Vec<Problem>,
    notes: &mut Vec<Problem>,
) -> (ToTrue, AttitudeNoise) {
    let Some(attitude) = &rig.attitude else { return (ToTrue::Everywhere(0.0), AttitudeNoise::default()) };
    if attitude.time_tag_sigma_s > 0.0 && rig.sensors.turn_rate.is_none() {
        notes.push(Problem::from(
            Diagnostic::new("rig/no-turn-rate", Verdict::Note, "time-tag jitter is declared and the rig names no turn rate")
                .why("an epoch without a turn rate counts as one that does not turn")
                .fix("give `sensors.turn_rate` in the rig when the log has it"),
        ));
    }
    match settle(attitude, place, notes) {
        Ok((north, sigma)) => (north, AttitudeNoise::new(attitude, sigma)),
        Err(problem) => {
            problems.push(problem);
            (ToTrue::Everywhere(0.0), AttitudeNoise::default())
        }
    }
}

/// Dates of the calibration: last day as days since 1970, and as written.
pub(crate) fn calibration(rig: &Rig, turned: bool, problems: &mut Vec<Problem>, notes: &mut Vec<Problem>) -> Option<(i64, String)> {
    let Some(calibration) = &rig.calibration else {
        if turned {
            notes.push(
                Problem::from(
                    Diagnostic::new("rig/no-calibration", Verdict::Warn, "the rig has no calibration date")
                        .why("lever arms and biases of attitude and laser change with every knock")
                        .fix("give `calibration` with `date`, `expires` and `by`"),
                )
                .rig_key("calibration"),
            );
        }
        return None;
    };
    let mut day = |text: &str, key: &str| {
        let day = clock::date(text);
        if day.is_none() {
            problems.push(
                Problem::new("rig/bad-date", format!("`{text}` is not a date"))
                    .rig_key(format!("calibration.{key}"))
                    .fix("write YYYY-MM-DD"),
            );
        }
        day
    };
    let (made, expires) = (day(&calibration.date, "date")?, day(&calibration.expires, "expires")?);
    if expires < made {
        problems.push(
            Problem::new(
                "rig/bad-date",
                format!("the calibration of {} expires before it was made, on {}", calibration.date, calibration.expires),
            )
            .rig_key("calibration.expires")
            .fix("correct `calibration.date` or `calibration.expires`"),
        );
    }
    Some((expires, calibration.expires.clone()))
}

/// The finding of an expired calibration. It names days and no counts, so that it is the same for
/// every part of a session.
pub(crate) fn expired(rig: &str, day: i64, last_day: i64, written: &str, session: Option<&str>) -> Diagnostic {
    let place = session.map_or_else(|| format!("rig `{rig}`"), |s| format!("rig `{rig}`, session `{s}`"));
    Diagnostic::new(
        "rig/calibration-expired",
        Verdict::Warn,
        format!("measured on {}, {} days after the calibration of the rig expired on {written}", clock::date_text(day), day - last_day),
    )
    .place(place)
    .size("not known: a bias that grew since then is on every point; 0.5 deg of boresight is 0.022 m at 2.5 m")
    .why("lever arms and biases of attitude and laser change with every knock")
    .fix("calibrate the rig, take a check shot to a known mark, and renew `calibration.date` and `calibration.expires`")
}
