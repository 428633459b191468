//! `bandwright target`.

use std::path::{Path, PathBuf};

use bandwright::error::value::{Quantity, ValueFault};
use bandwright::error::{Error, ErrorKind, Knob, Result, Source};
use bandwright::files::{Files, Recorded};
use bandwright::measurement::takes::Side;
use bandwright::report::{self, FileKind, figures};
use bandwright::wanted::library::{self, write_curve};
use bandwright::wanted::recipe::{BlendEntry, FLAT, MEASURED, write_recipe};
use bandwright::wanted::shown::{OCTAVES_HZ, THIRD_OCTAVES_HZ, compared, shown as show_target};
use bandwright::wanted::{ContourEntry, Recipe, Reference};

use super::answer::Answer;
use super::args::{self, TargetBuild, TargetDiff, TargetList, TargetShow, TargetTask};
use super::files::{self, Disk, Kind, shown, with_near};
use super::groups::{Figures, Points};
use super::made::made;
use super::option_names;
use super::outputs::{PAGE, RECIPE, TARGET_CURVE, drawn, plot as plot_kind};

/// The ending of a recipe's name.
const RECIPE_ENDING: &str = ".toml";
/// The ending of a curve's name.
const CURVE_ENDING: &str = ".csv";

/// Does what was asked of targets.
pub fn run(typed: &args::Target) -> Result<()> {
    match &typed.task {
        TargetTask::List(typed) => list(typed),
        TargetTask::Show(typed) => show(typed),
        TargetTask::Build(typed) => build(typed),
        TargetTask::Diff(typed) => diff(typed),
    }
}

fn list(typed: &TargetList) -> Result<()> {
    let targets = library::names().into_iter().map(|name| {
        let target = library::resolve(name, &Disk)?;
        let note = |key| library::note(name, key).unwrap_or_default();
        Ok(report::ListedTarget {
            support: note("support"),
            licence: note("licence"),
            level: note("level"),
            name: target.name.clone(),
            // Of a recipe its own: its base is listed too.
            source: note("source"),
            warnings: target.warnings.clone(),
            support_hz: target.level_on_grid(48_000.0).band_hz(),
        })
    });
    let targets = targets.collect::<Result<Vec<_>>>()?;
    Answer::default().deliver(
        typed.output_style,
        |_| report::to_json(&report::target_list_document(&targets)),
        |_| vec![figures::target::list(&targets)],
    )
}

fn show(typed: &TargetShow) -> Result<()> {
    let files = Recorded::new(&Disk, vec![&typed.target]);
    let reference = reference(&typed.target, typed.side, typed.variant.as_deref());
    let target = resolved(&files, |files| {
        library::resolve_reference(&reference, files)
    })?;
    let target = show_target(
        &target,
        typed.figures.rate_hz,
        points_hz(typed.figures),
        typed.align_hz,
    )?;
    let mut answer = Answer::default();
    if let Some(path) = &typed.plot {
        let place = answer.place(path, plot_kind(path), false, &paths(&files.read_so_far()))?;
        let picture = drawn(
            &place,
            report::target_picture(&target),
            typed.look,
            &made(&files),
        )?;
        answer.add(place, FileKind::Plot, picture);
    }
    if let Some(path) = &typed.report {
        let page = report::page(
            &[figures::target::page(&target, &made(&files))],
            option_names::typed,
        );
        let place = answer.place(path, PAGE, false, &paths(&files.read_so_far()))?;
        answer.add(place, FileKind::Report, page);
    }
    answer.deliver(
        typed.output_style,
        |written| report::to_json(&report::target_document("show", &target, written)),
        |written| {
            let report = figures::target::shown(&target, written);
            vec![typed.drawing.of(report, || report::target_picture(&target))]
        },
    )
}

fn diff(typed: &TargetDiff) -> Result<()> {
    let files = Recorded::new(&Disk, vec![&typed.one, &typed.other]);
    let target = |path: &Path| {
        let reference = Reference::new(&shown(path));
        resolved(&files, |files| {
            library::resolve_reference(&reference, files)
        })
    };
    let (one, other) = (target(&typed.one)?, target(&typed.other)?);
    let rate_hz = typed.figures.rate_hz;
    let compared = compared(&one, &other, rate_hz, points_hz(typed.figures))?;
    let mut answer = Answer::default();
    if let Some(path) = &typed.plot {
        let place = answer.place(path, plot_kind(path), false, &paths(&files.read_so_far()))?;
        let picture = drawn(
            &place,
            report::target_diff_picture(&compared),
            typed.look,
            &made(&files),
        )?;
        answer.add(place, FileKind::Plot, picture);
    }
    answer.deliver(
        typed.output_style,
        |written| report::to_json(&report::target_diff_document(&compared, written)),
        |written| vec![figures::target::difference(&compared, written)],
    )
}

fn build(typed: &TargetBuild) -> Result<()> {
    let output = shown(&typed.output);
    let lower = output.to_lowercase();
    let as_recipe = lower.ends_with(RECIPE_ENDING);
    if !as_recipe && !lower.ends_with(CURVE_ENDING) {
        return Err(Error::new(
            ErrorKind::Setting,
            Knob::Output,
            format!("`{output}`"),
            "NAME.target.toml for a recipe, or NAME.csv for a curve",
            "choose one of these endings",
        ));
    }
    let named = [Some(&typed.base), typed.between.as_ref()];
    let unspeakable = named
        .into_iter()
        .flatten()
        .find(|path| path.to_str().is_none());
    if let Some(path) = unspeakable.filter(|_| as_recipe) {
        return Err(Error::new(
            ErrorKind::Setting,
            shown(path),
            "a path that is no Unicode",
            "one that a recipe can name",
            "rename the file, or write a NAME.csv",
        ));
    }
    let typed_recipe = typed_recipe(typed, typed.taste.taste().entries()?)?;
    let named: Vec<&Path> = named.into_iter().flatten().map(PathBuf::as_path).collect();
    let files = Recorded::new(&Disk, named);
    let target = resolved(&files, |files| {
        library::resolve_recipe(typed_recipe.clone(), "", files)
    });
    let mut target = target.map_err(|error| by_option(error, typed))?;
    target.name.clone_from(&typed_recipe.name);
    if typed.source.is_some() {
        target.source.clone_from(&typed_recipe.source);
    }
    if !as_recipe && target.is_relative() {
        return Err(Error::new(
            ErrorKind::Setting,
            Knob::Output,
            format!("the curve `{output}` of a target that stands on what a unit has"),
            "a recipe, which says so",
            "write a NAME.target.toml",
        ));
    }
    let shown_target = show_target(
        &target,
        typed.figures.rate_hz,
        points_hz(typed.figures),
        None,
    )?;
    let mut answer = Answer::default();
    let (kind, file_kind, text): (Kind, _, _) = if as_recipe {
        let text = write_recipe(&beside(typed_recipe, &typed.output)?);
        (RECIPE, FileKind::Recipe, text)
    } else {
        let text = write_curve(&target, typed.figures.rate_hz);
        (TARGET_CURVE, FileKind::Curve, text)
    };
    let place = answer.place(
        &typed.output,
        kind,
        typed.overwrite,
        &paths(&files.read_so_far()),
    )?;
    answer.add(place, file_kind, text);
    if let Some(path) = &typed.plot {
        let place = answer.place(path, plot_kind(path), false, &paths(&files.read_so_far()))?;
        let picture = drawn(
            &place,
            report::target_picture(&shown_target),
            typed.look,
            &made(&files),
        )?;
        answer.add(place, FileKind::Plot, picture);
    }
    answer.deliver(
        typed.output_style,
        |written| report::to_json(&report::target_document("build", &shown_target, written)),
        |written| vec![figures::target::shown(&shown_target, written)],
    )
}

/// What `resolve` makes of the files; a missing one may be a misspelt one.
fn resolved<T>(files: &Recorded<'_>, resolve: impl FnOnce(&dyn Files) -> Result<T>) -> Result<T> {
    resolve(files).map_err(|error| with_near(error, files.last_missing()))
}

fn paths(paths: &[PathBuf]) -> Vec<&Path> {
    paths.iter().map(PathBuf::as_path).collect()
}

/// What was typed, as a recipe in the folder that it was typed in.
fn typed_recipe(typed: &TargetBuild, contours: Vec<ContourEntry>) -> Result<Recipe> {
    let base = reference(&typed.base, typed.side, typed.variant.as_deref());
    if base.name == FLAT && typed.between.is_none() && contours.is_empty() {
        return Err(Error::new(
            ErrorKind::Setting,
            Source::name("target build"),
            "nothing to build with",
            "--base, --between, --bass, --treble, --slope or --contour",
            "try --base diffuse-field --bass 3",
        ));
    }
    let share = typed.between_share;
    let blend = match &typed.between {
        Some(_) if !(0.0..=1.0).contains(&share) => {
            let fault = ValueFault::out_of_range(Quantity::Share, share, (0.0, 1.0));
            return Err(Error::of(fault, Knob::BetweenShare));
        }
        Some(path) => Some(BlendEntry {
            with: reference(path, None, None),
            share,
        }),
        None => None,
    };
    let words = |option: Knob, words: &Option<String>, default: String| match words {
        Some(words) if words.trim().is_empty() => Err(Error::new(
            ErrorKind::Setting,
            option,
            "no words",
            "words",
            "leave it out for the usual ones",
        )),
        Some(words) => Ok(words.clone()),
        None => Ok(default),
    };
    let file = typed.output.file_name().unwrap_or_default();
    let file = file.to_string_lossy();
    let ends = [".target.toml", RECIPE_ENDING, CURVE_ENDING];
    let stem = ends.iter().find_map(|end| file.strip_suffix(end));
    Ok(Recipe {
        name: words(Knob::Name, &typed.name, stem.unwrap_or(&file).to_owned())?,
        source: words(
            Knob::Source,
            &typed.source,
            "put together on the command line; no measurement stands behind the contours"
                .to_owned(),
        )?,
        base,
        blend,
        contours,
    })
}

/// The same recipe at `output`: its files are named from there.
fn beside(mut recipe: Recipe, output: &Path) -> Result<Recipe> {
    let rename = |name: &mut String| match files::relative(output, Path::new(&*name)) {
        Some(path) => {
            *name = shown(&path);
            Ok(())
        }
        None => Err(Error::new(
            ErrorKind::Setting,
            Knob::Output,
            format!("`{}`, which shares no folder with `{name}`", shown(output)),
            "a recipe near the files that it names: its way to them would tell every folder above them",
            "write it beside them, copy them beside it, or write a NAME.csv, which stands alone",
        )),
    };
    let named = |reference: &Reference| {
        ![FLAT, MEASURED].contains(&reference.name.as_str())
            && library::text(&reference.name).is_none()
    };
    let with = recipe.blend.as_mut().map(|blend| &mut blend.with);
    for reference in [Some(&mut recipe.base), with].into_iter().flatten() {
        if named(reference) {
            rename(&mut reference.name)?;
        }
    }
    for contour in &mut recipe.contours {
        if let ContourEntry::Table { file, .. } = contour {
            rename(file)?;
        }
    }
    Ok(recipe)
}

/// A recipe that was typed has options where one in a file has keys.
fn by_option(mut error: Box<Error>, typed: &TargetBuild) -> Box<Error> {
    if error.place.source != "" {
        return error;
    }
    let option = match error.place.key.as_deref() {
        Some("side") => Knob::Side,
        Some("variant") if typed.variant.is_some() => Knob::Variant,
        Some("blend.with" | "blend.side" | "blend.variant") => Knob::Between,
        Some("contour.file") => Knob::Contour,
        _ => Knob::Base,
    };
    error.place.key = None;
    error.about(option)
}

fn reference(path: &Path, side: Option<Side>, variant: Option<&str>) -> Reference {
    Reference {
        side,
        variant: variant.map(str::to_owned),
        ..Reference::new(&shown(path))
    }
}

fn points_hz(figures: Figures) -> &'static [f64] {
    match figures.points {
        Points::Octave => &OCTAVES_HZ,
        Points::ThirdOctave => &THIRD_OCTAVES_HZ,
    }
}
