//! `bandwright listen`.

use std::collections::hash_map::RandomState;
use std::hash::BuildHasher as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};

use bandwright::error::{Error, ErrorKind, Knob, Result, Source};
use bandwright::export;
use bandwright::file_names::file_name;
use bandwright::job::{Measured, Prepared, Request, Taste};
use bandwright::listen::answers::{self, Answers};
use bandwright::listen::ear::Ear;
use bandwright::listen::error::ListenFault;
use bandwright::listen::find_peak;
use bandwright::listen::signals::{self, HIGHEST_DB, Signal};
use bandwright::listen::trial::Trials;
use bandwright::listen::wav::{Depth, Destination, Writer};
use bandwright::listen::{Excerpt, Heard, Job, Matching, Rendering};
use bandwright::measurement::rig::Rig;
use bandwright::measurement::unit_file::is_unit_file;
use bandwright::report::{self, FileKind, figures};
use bandwright::sheet::{self, Sheet};
use rayon::prelude::*;

use super::answer::Answer;
use super::args::Listen;
use super::files::{self, Disk, Place, Staged, shown};
use super::outputs::{ANSWERS, SOUND, TIMES};
use super::progress::Progress;

/// The file for answers to a blind trial.
const ANSWERS_FILE: &str = "answers.toml";
/// The file for times of sweeps.
const TIMES_FILE: &str = "peak.toml";

/// Sounds of one piece of music, in files that are not at their places yet.
struct Made {
    heard: Heard,
    files: Vec<(Place, Staged)>,
    answers: Option<Answers>,
}

/// Writes what is to be heard, or tells what answers are worth.
pub fn run(typed: &Listen) -> Result<()> {
    if let Some(path) = &typed.answer {
        return score(typed, path);
    }
    if let Some(signal) = typed.signal {
        return write_signal(typed, signal);
    }
    if let (true, Some(path)) = (typed.find_peak, &typed.unit_file) {
        return write_sweeps(typed, path);
    }
    let (sheet_paths, music): (Vec<&PathBuf>, Vec<&PathBuf>) =
        typed.inputs.iter().partition(|path| is_sheet(path));
    refuse_incomplete(typed, &sheet_paths, &music)?;
    let sheets: Result<Vec<Sheet>> = sheet_paths.iter().map(|path| sound_sheet(path)).collect();
    let sheets = sheets?;
    let names: Vec<String> = sheet_paths.iter().map(|path| name(path)).collect();
    let trials = typed.blind.map(|kind| {
        // Whoever listens must not know the order, so by chance it differs from run to run.
        let seed = typed.seed.unwrap_or_else(|| RandomState::new().hash_one(0));
        Trials::new(kind, typed.trials as usize, seed)
    });
    if trials.is_some() {
        refuse_filled(&folder(typed).join(ANSWERS_FILE))?;
    }
    let ear = typed
        .unit_file
        .as_deref()
        .map(|path| ear(typed, path))
        .transpose()?;
    let matching = match (&ear, typed.unmatched) {
        (Some(ear), _) => Matching::AtTheEar(ear),
        (None, true) => Matching::Off,
        (None, false) => Matching::Files,
    };
    let (done_ms, ready) = (Arc::new(AtomicU64::new(0)), Arc::new(AtomicUsize::new(0)));
    let progress = (!typed.output_style.quiet).then(|| {
        let (done_ms, ready, of) = (done_ms.clone(), ready.clone(), music.len());
        Progress::of(move || {
            let seconds = done_ms.load(Ordering::Relaxed) / 1000;
            let ready = ready.load(Ordering::Relaxed);
            format!("listening, {ready} of {of} files, {seconds} s of music")
        })
    });
    let jobs: Result<Vec<(&PathBuf, Vec<Place>)>> = music
        .iter()
        .map(|path| Ok((*path, places(typed, path, &names, trials.as_ref())?)))
        .collect();
    let jobs = jobs?;
    refuse_clashes(&jobs)?;
    let made: Result<Vec<Made>> = jobs
        .into_par_iter()
        .map(|(path, places)| {
            let source = || files::open_music(path);
            let job = Job {
                music: &shown(path),
                source: &source,
                sheets: &sheets,
                excerpt: Excerpt {
                    from_s: typed.from,
                    for_s: typed.length,
                },
                matching,
                depth: typed.depth,
                done_ms: &done_ms,
            };
            let made = make(&job, places, &names, trials.as_ref());
            ready.fetch_add(1, Ordering::Relaxed);
            made
        })
        .collect();
    drop(progress);
    let mut answer = Answer::default();
    let mut heard = Vec::new();
    for made in made? {
        for (place, staged) in made.files {
            answer.add_staged(place, FileKind::Sound, staged);
        }
        if let Some(answers) = made.answers {
            let inputs: Vec<&Path> = typed.inputs.iter().map(PathBuf::as_path).collect();
            let place = answer.place(&folder(typed).join(ANSWERS_FILE), ANSWERS, false, &inputs)?;
            answer.add(place, FileKind::Answers, answers.to_toml());
        }
        heard.push(made.heard);
    }
    answer.deliver(
        typed.output_style,
        |written| report::to_json(&report::listen_document(&heard, &names, written)),
        |written| figures::listen::reports(&heard, &names, written),
    )
}

/// Refuses a folder with what a listener may have filled in, and with the files that it is about.
fn refuse_filled(path: &Path) -> Result<()> {
    match path.exists() {
        true => Err(Error::new(
            ErrorKind::File,
            shown(path),
            "what an earlier run wrote there, to be filled in",
            "a folder without it",
            "make another folder, or move those files away",
        )),
        false => Ok(()),
    }
}

/// A sheet whose numbers do not contradict each other.
fn sound_sheet(path: &Path) -> Result<Sheet> {
    let name = shown(path);
    if is_unit_file(&name) {
        return Err(Error::new(
            ErrorKind::Setting,
            name,
            "a unit file",
            "sheets and music",
            "say with `--unit` that it is the unit that is listened with",
        ));
    }
    let sheet = sheet::read(&files::read(path)?, &name)?;
    let whole = export::Request {
        rates_hz: Vec::new(),
        unlisted_rates: false,
        side: None,
        preamp_included: true,
    };
    export::Export::of(&sheet, &whole).map_err(|error| error.about(&*name))?;
    Ok(sheet)
}

fn is_sheet(path: &Path) -> bool {
    path.extension()
        .is_some_and(|ending| ending.eq_ignore_ascii_case("toml"))
}

/// What a file is called without its endings.
fn name(path: &Path) -> String {
    let name = path
        .file_name()
        .map_or_else(String::new, |name| shown(Path::new(name)));
    let stem = name.rsplit_once('.').map_or(&*name, |(stem, _)| stem);
    stem.strip_suffix(".sheet").unwrap_or(stem).to_owned()
}

fn folder(typed: &Listen) -> &Path {
    typed.output.as_deref().unwrap_or(Path::new("."))
}

/// What no file needs to be opened for.
fn refuse_incomplete(typed: &Listen, sheets: &[&PathBuf], music: &[&PathBuf]) -> Result<()> {
    let refuse = |found: &str, expected: &str, next_step: &str| {
        let source = Source::name("listen");
        Err(Error::new(
            ErrorKind::Setting,
            source,
            found,
            expected,
            next_step,
        ))
    };
    if sheets.is_empty() {
        return refuse(
            "no sheet",
            "at least one NAME.toml",
            "name a sheet that `bandwright fit -o` wrote",
        );
    }
    if music.is_empty() {
        return refuse(
            "no music",
            "at least one file of sound",
            "name a WAV, FLAC, MP3, Ogg or M4A file",
        );
    }
    let Some(_) = typed.blind else {
        return Ok(());
    };
    if sheets.len() > 2 {
        return Err(Error::of(ListenFault::Trial(sheets.len()), Knob::Blind));
    }
    if music.len() > 1 {
        return refuse(
            "several pieces of music for one blind trial",
            "one",
            "name one of them",
        );
    }
    if typed.depth == Depth::Float {
        return refuse(
            "blind trials in floating point, whose files can be told apart by comparing them",
            "16 or 24 bits, each file with dither of its own",
            "leave --depth out",
        );
    }
    Ok(())
}

/// The average of a unit's takes, and what it was measured with.
fn ear(typed: &Listen, path: &Path) -> Result<Ear> {
    let (prepared, rig, _) = unit(typed, path)?;
    Ok(Ear {
        unit: prepared.judged().average.on_grid.clone(),
        rig,
    })
}

/// The unit of a file with its takes judged, its rig and its name.
fn unit(typed: &Listen, path: &Path) -> Result<(Prepared, Rig, String)> {
    let request = Request {
        curves: vec![path.to_owned()],
        variant: typed.variant.clone(),
        // Only what was measured counts.
        taste: Taste {
            bass_db: Some(0.0),
            ..Taste::default()
        },
        ..Request::default()
    };
    let measured: Measured = request.open(&Disk)?.measured;
    let (rig, name) = (measured.judging.rig.clone(), measured.unit.clone());
    Ok((Prepared::new(measured)?, rig, name))
}

/// Where the files of a piece of music go.
fn places(
    typed: &Listen,
    music: &Path,
    sheets: &[String],
    trials: Option<&Trials>,
) -> Result<Vec<Place>> {
    let inputs: Vec<&Path> = typed
        .inputs
        .iter()
        .chain(&typed.unit_file)
        .map(PathBuf::as_path)
        .collect();
    let piece = name(music);
    let names: Vec<String> = match trials {
        None => {
            let untouched = (!typed.unmatched).then(|| "untouched".to_owned());
            let sounds = untouched.into_iter().chain(sheets.iter().cloned());
            sounds.map(|sound| format!("{piece}.{sound}.wav")).collect()
        }
        Some(trials) => trials.files().into_iter().map(|(name, _)| name).collect(),
    };
    let place = |name: String| Place::new(&folder(typed).join(name), SOUND, false, &inputs, &[]);
    names.into_iter().map(place).collect()
}

fn refuse_clashes(jobs: &[(&PathBuf, Vec<Place>)]) -> Result<()> {
    let places: Vec<&Place> = jobs.iter().flat_map(|(_, places)| places).collect();
    for (index, place) in places.iter().enumerate() {
        if place.refuse_clash(&[], &places[..index]).is_err() {
            return Err(Error::new(
                ErrorKind::Setting,
                Source::name("listen"),
                format!(
                    "two sounds that would both be written as `{}`",
                    place.shown()
                ),
                "music and sheets whose names, without their endings, differ",
                "rename one of them, or listen to one at a time",
            ));
        }
    }
    Ok(())
}

/// Makes the files of one piece of music.
fn make(
    job: &Job<'_>,
    places: Vec<Place>,
    names: &[String],
    trials: Option<&Trials>,
) -> Result<Made> {
    let failed =
        |place: &Place, failure: std::io::Error| files::failed_write(place.typed(), &failure);
    let staged: Result<Vec<(Place, Staged)>> = places
        .into_iter()
        .map(|place| match Staged::new(&place) {
            Ok(staged) => Ok((place, staged)),
            Err(failure) => Err(failed(&place, failure)),
        })
        .collect();
    let mut staged = staged?;
    let shown: Vec<String> = staged.iter().map(|(place, _)| place.shown()).collect();
    let mut outputs: Vec<Destination<'_>> = staged
        .iter_mut()
        .zip(&shown)
        .map(|((_, staged), name)| Destination {
            name,
            output: staged.file(),
        })
        .collect();
    let Some(trials) = trials else {
        let heard = job.run(&mut outputs)?;
        return Ok(Made {
            heard,
            files: staged,
            answers: None,
        });
    };
    // The two that are compared: of one sheet, against no EQ.
    let two = match names.len() {
        1 => [None, Some(0)],
        _ => [Some(0), Some(1)],
    };
    let files = trials.files().into_iter().enumerate();
    let renderings: Vec<Rendering> = files
        .map(|(index, (_, second))| Rendering {
            sheet: two[usize::from(second)],
            seed: trials.dither_seed(index),
        })
        .collect();
    let mut heard = job.measured()?;
    heard.sounds.retain(|sound| two.contains(&sound.sheet));
    job.write(&renderings, |sheet| heard.gain_db(sheet), &mut outputs)?;
    let called =
        |sheet: Option<usize>| sheet.map_or("no EQ".to_owned(), |place| names[place].clone());
    Ok(Made {
        answers: Some(Answers::of(
            trials,
            file_name(&heard.music),
            two.map(called),
        )),
        heard,
        files: staged,
    })
}

/// Refuses a level outside its range.
fn level_db(typed: &Listen) -> Result<f64> {
    let level_db = typed.level_db;
    if !(-100.0..=HIGHEST_DB).contains(&level_db) {
        return Err(Error::new(
            ErrorKind::Setting,
            Knob::LevelDb,
            format!("{level_db} dB"),
            format!("-100 to {HIGHEST_DB} dB"),
            "choose a level in that range; start low",
        ));
    }
    Ok(level_db)
}

/// Adds a file of a signal that is the same on both sides.
fn add_both_sides(answer: &mut Answer, typed: &Listen, name: &str, samples: &[f64]) -> Result<()> {
    let place = answer.place(&folder(typed).join(name), SOUND, false, &[])?;
    let failed = |failure| files::failed_write(place.typed(), &failure);
    let mut staged = Staged::new(&place).map_err(failed)?;
    let name = place.shown();
    let to = Destination {
        name: &name,
        output: staged.file(),
    };
    let mut writer = Writer::new(to, signals::RATE_HZ, 2, typed.depth, 0)?;
    let both: Vec<f64> = samples.iter().flat_map(|sample| [*sample; 2]).collect();
    writer.add(&both, 1.0)?;
    writer.finish()?;
    answer.add_staged(place, FileKind::Sound, staged);
    Ok(())
}

/// Writes sweeps by which a listener finds where an ear resonates.
fn write_sweeps(typed: &Listen, path: &Path) -> Result<()> {
    let level_db = level_db(typed)?;
    let (prepared, _, name) = unit(typed, path)?;
    refuse_filled(&folder(typed).join(TIMES_FILE))?;
    let curve = find_peak::without_resonance(prepared.judged());
    let mut answer = Answer::default();
    let sweeps: Vec<(String, Vec<f64>)> = find_peak::files()
        .zip(0..)
        .collect::<Vec<((String, bool), u64)>>()
        .into_par_iter()
        .map(|((file, rises), seed)| (file, find_peak::sweep(&curve, rises, level_db, seed)))
        .collect();
    for (file, samples) in &sweeps {
        add_both_sides(&mut answer, typed, file, samples)?;
    }
    let place = answer.place(&folder(typed).join(TIMES_FILE), TIMES, false, &[path])?;
    answer.add(place, FileKind::Answers, find_peak::to_toml(&name));
    answer.deliver(
        typed.output_style,
        |written| report::to_json(&report::sweeps_document(&name, level_db, written)),
        |written| vec![figures::listen::sweeps_report(&name, level_db, written)],
    )
}

/// Writes a signal whose answer is known.
fn write_signal(typed: &Listen, signal: Signal) -> Result<()> {
    let level_db = level_db(typed)?;
    let mut answer = Answer::default();
    let name = format!("{}.wav", signal.name());
    add_both_sides(&mut answer, typed, &name, &signal.samples(level_db))?;
    answer.deliver(
        typed.output_style,
        |written| report::to_json(&report::signal_document(signal, level_db, written)),
        |written| vec![figures::listen::signal_report(signal, level_db, written)],
    )
}

/// Tells what the answers in a file are worth.
fn score(typed: &Listen, path: &Path) -> Result<()> {
    let name = shown(path);
    let bytes = files::read(path)?;
    if bytes.starts_with(find_peak::BEGINNING.as_bytes()) {
        let found = find_peak::found(&bytes, &name)?;
        return Answer::default().deliver(
            typed.output_style,
            |_| report::to_json(&report::peak_document(&found)),
            |_| vec![figures::listen::peak_report(&found)],
        );
    }
    if !bytes.starts_with(answers::BEGINNING.as_bytes()) {
        return Err(Error::new(
            ErrorKind::Format,
            name,
            "no file that `listen` wrote to be filled in",
            "answers to a blind trial, or times of sweeps",
            "name the answers.toml or peak.toml that stands beside the sounds",
        ));
    }
    let answers = Answers::parse(&bytes, &name)?;
    let score = answers.score(&name)?;
    Answer::default().deliver(
        typed.output_style,
        |_| report::to_json(&report::score_document(&answers, &score)),
        |_| vec![figures::listen::score_report(&answers, &score)],
    )
}
