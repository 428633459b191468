//! The file that a listener writes answers into.

use std::fmt::Write as _;

use super::error::ListenFault;
use super::trial::{Kind, MOST_TRIALS, Score, Trials};
use crate::error::{Error, Result};
use crate::keys::{self, text};

/// How such a file begins.
pub const BEGINNING: &str = "# Answers to a blind trial";

const KEYS: [&str; 6] = ["format", "kind", "music", "compared", "sealed", "trial"];

/// A trial as it stands in a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answers {
    /// What is asked.
    pub kind: Kind,
    /// The music.
    pub music: String,
    /// Names of the two sounds that are compared: no EQ, or a sheet.
    pub compared: [String; 2],
    /// The order, out of sight.
    pub sealed: String,
    /// What the names of each trial's files begin with, and the answer, empty for none.
    pub trials: Vec<(String, String)>,
}

impl Answers {
    /// None so far, of trials of two sounds with these names.
    #[must_use]
    pub fn of(trials: &Trials, music: &str, compared: [String; 2]) -> Self {
        Self {
            kind: trials.kind,
            music: music.to_owned(),
            compared,
            sealed: trials.sealed(),
            trials: trials.names().map(|name| (name, String::new())).collect(),
        }
    }

    /// As text, for a listener to fill in.
    #[must_use]
    pub fn to_toml(&self) -> String {
        let [one, other] = &self.compared;
        let asked = match self.kind {
            Kind::Pairs => format!(
                "Each trial has two files of the same music, one as `{one}`, one as `{other}`. Write 1 or 2: in which do you hear `{other}`?"
            ),
            Kind::ThreeWay => format!(
                "a.wav is `{one}`, b.wav is `{other}`. Each trial is one of the two again. Write a or b: which is it?"
            ),
        };
        let mut out = format!(
            "{BEGINNING}, format 1.\n#\n# CARE  Start at a low volume, and leave it alone during the trial. Loud sound harms hearing.\n#\n# {asked}\n# Listen as often as you like; guess where you hear nothing; leave a trial out by writing nothing.\n\nformat = 1\nkind = {}\nmusic = {}\ncompared = [{}, {}]\n# The order, out of sight.\nsealed = {}\n",
            text::string(name(self.kind)),
            text::string(&self.music),
            text::string(one),
            text::string(other),
            text::string(&self.sealed),
        );
        for (name, answer) in &self.trials {
            let _ = write!(
                out,
                "\n[[trial]]\nname = {}\nanswer = {}\n",
                text::string(name),
                text::string(answer)
            );
        }
        out
    }

    /// Reads such a file; `name` is for messages.
    ///
    /// # Errors
    /// For what is no such file, with line and key.
    pub fn parse(bytes: &[u8], file: &str) -> Result<Self> {
        keys::read_file(bytes, file, &KEYS, |table| {
            table.format_1()?;
            let kind = table.required("kind")?.one_of(&[Kind::Pairs, Kind::ThreeWay], name)?;
            let compared = table.required("compared")?.strings()?;
            let [one, other] = <[String; 2]>::try_from(compared).map_err(|_| {
                Error::of(ListenFault::Seal, file).at_key("compared")
            })?;
            let trials = table.required("trial")?;
            trials.at_most(MOST_TRIALS, "trials")?;
            let trials = trials.tables(&["name", "answer"], |trial| {
                let name = trial.required("name")?.string()?;
                Ok((name, trial.required("answer")?.string()?))
            })?;
            Ok(Self {
                kind,
                music: table.required("music")?.string()?,
                compared: [one, other],
                sealed: table.required("sealed")?.string()?,
                trials,
            })
        })
    }

    /// What the answers are worth; `file` is for messages.
    ///
    /// # Errors
    /// `Format` where the seal does not fit, `Setting` for answers that are none.
    pub fn score(&self, file: &str) -> Result<Score> {
        let trials = Trials::opened(self.kind, self.trials.len(), &self.sealed, file)?;
        let answers: Vec<String> = self.trials.iter().map(|(_, answer)| answer.clone()).collect();
        trials.score(&answers, file)
    }
}

fn name(kind: Kind) -> &'static str {
    match kind {
        Kind::Pairs => "pairs",
        Kind::ThreeWay => "three-way",
    }
}
