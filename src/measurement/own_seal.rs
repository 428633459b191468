//! Which seal is the earphone's own, of takes that are alike but for their bass.
//!
//! A leak only ever takes bass away, and takes another amount at every seating; so as a rule the tightest take is right,
//! even if all others leak. But a vent takes bass away too, and the same amount at every seating: its corner repeats. So a
//! seal that most takes of the unit share, both sides together, is the earphone's own, and a take with more bass than they
//! have did not vent. Where several takes have that much more and are alike, they are sound and the others leak, unless these
//! are far more. Left against right alone cannot tell the two apart: vents come in pairs.
//!
//! Takes are placed by how much more bass each loses than the tightest one ([`leak`]), at both ends of the band that leaks
//! are judged in: two leaks of different form may be alike at one of them. Takes of the other side take part where a loss of
//! bass is what sets them apart from it.

use super::grid::{self, OnGrid, POINTS};
use super::leak::{self, JUDGED_HZ, SealFit};

/// Largest distance of takes that share a seal from the middle one, dB: at a corner of 40 Hz that is 3 to 4 Hz, and three
/// times what sound seatings differ by.
const SHARED_DB: f64 = 0.9;
/// What a take of the other side may be further away, for each dB that it loses: the sides' corners differ by some per
/// cent, and their forms.
const OTHER_SHARED: f64 = 0.06;
/// Least number of takes that tell a vent from leaks that happen to be alike: two of three may be.
const LEAST_SHARING: usize = 3;
/// Where two or more takes share the tightest seal, that is the earphone's own unless another seal is shared by more than this
/// many times as many takes: a vent is seldom blocked twice. Without this, leaks that were alike outvoted the sound takes in
/// nine of 300 sets of tests/benches/takes.rs.
const BLOCKED_SHARE: usize = 2;
/// The most that a vent takes away, dB, and the most that two leaks take away and are alike: what has so much more bass
/// than most takes of its side is another earphone. Our choice.
pub(super) const MOST_DB: f64 = 20.0;
/// Upper end of the fit of a take of the other side, hertz: above, the sides differ in form.
const OTHER_TO_HZ: f64 = 300.0;
/// Largest misfit with which a take of the other side takes part, dB rms; or a quarter of its loss.
const OTHER_MISFIT_DB: f64 = 1.0;

/// How much more bass a take loses than another, dB at both ends of the band that leaks are judged in, and at worst.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Looser {
    ends_db: [f64; 2],
    /// The worst, dB; negative for a take that seals tighter.
    pub worst_db: f64,
}

impl Looser {
    /// From the fits of both directions: the take against the other, and the other against the take. That which leaves
    /// clearly less counts; a small loss fits either way, and then the losses are subtracted, and what a resonance has
    /// more than before counts as none: turned round, a loss looks like that.
    pub fn of(over: SealFit, under: SealFit) -> Self {
        let clearly = |one: SealFit, other: SealFit| other.misfit_db > 2.0 * one.misfit_db + 0.1;
        let end_db = |fit: SealFit, f_hz: f64| fit.leak.loss_db(fit.from_hz.max(f_hz));
        let worst_db = |fit: SealFit| fit.loss().worst_loss_db.max(0.0);
        let ends = [JUDGED_HZ.0, JUDGED_HZ.1];
        if clearly(over, under) {
            Self {
                ends_db: ends.map(|f_hz| end_db(over, f_hz)),
                worst_db: worst_db(over),
            }
        } else if clearly(under, over) {
            Self {
                ends_db: ends.map(|f_hz| -end_db(under, f_hz)),
                worst_db: -worst_db(under),
            }
        } else {
            Self {
                ends_db: ends.map(|f_hz| end_db(over, f_hz).max(0.0) - end_db(under, f_hz).max(0.0)),
                worst_db: worst_db(over) - worst_db(under),
            }
        }
    }

    /// How far apart two of them are, dB.
    fn apart_db(self, other: Self) -> f64 {
        let ends = self.ends_db.iter().zip(other.ends_db);
        ends.map(|(a, b)| (a - b).abs()).fold(0.0, f64::max)
    }

    /// Whether two takes of a side share their seal.
    pub fn shares(self, other: Self) -> bool {
        self.apart_db(other) <= SHARED_DB
    }

    fn shares_with_other_side(self, other: Self) -> bool {
        self.apart_db(other) <= SHARED_DB + OTHER_SHARED * other.worst_db.abs()
    }
}

/// Why a seal counts as the earphone's own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Why {
    /// No other is tighter.
    Tightest,
    /// Most takes of the unit share it, though another is tighter.
    Shared,
    /// Two of three share it, the third is tighter: two leaks that are alike, or a vent that was blocked.
    Unclear,
}

/// Finds the earphone's own seal. `looser` says how much looser each take of the side seals than the tightest of them,
/// `others` the same of the other side's takes. Gives the reason, and the index of the take in whose middle the seal is.
pub(super) fn own_seal(looser: &[Looser], others: &[Looser]) -> (Why, usize) {
    let sharing = |k: usize| {
        let own = looser.iter().filter(|one| looser[k].shares(**one));
        let of_other_side = others
            .iter()
            .filter(|one| looser[k].shares_with_other_side(**one));
        own.count() + of_other_side.count()
    };
    let away_db2 = |k: usize| -> f64 {
        let own = looser.iter().filter(|one| looser[k].shares(**one));
        own.map(|one| looser[k].apart_db(*one).powi(2)).sum()
    };
    let tighter = |a: &usize, b: &usize| looser[*a].worst_db.total_cmp(&looser[*b].worst_db);
    let middle = (0..looser.len()).min_by(|a, b| {
        let more = sharing(*b).cmp(&sharing(*a));
        more.then_with(|| away_db2(*a).total_cmp(&away_db2(*b)))
            .then_with(|| tighter(a, b))
    });
    let tightest = (0..looser.len()).min_by(tighter).unwrap_or(0);
    let Some(middle) = middle else {
        return (Why::Tightest, tightest);
    };
    let most = 2 * sharing(middle) > looser.len() + others.len();
    let often_blocked = sharing(tightest) > 1 && sharing(middle) <= BLOCKED_SHARE * sharing(tightest);
    let own = looser.iter().filter(|one| looser[middle].shares(**one));
    let another_earphone = looser[middle].worst_db > MOST_DB && 2 * own.count() > looser.len();
    if another_earphone {
        (Why::Shared, middle)
    } else if !most || often_blocked || looser[middle].shares(looser[tightest]) {
        (Why::Tightest, tightest)
    } else if sharing(middle) >= LEAST_SHARING {
        (Why::Shared, middle)
    } else {
        (Why::Unclear, middle)
    }
}

/// How much looser a take of the other side seals than `tightest`; None where more than a loss sets them apart.
pub(super) fn looser_than(take: &OnGrid, tightest: &OnGrid) -> Option<Looser> {
    let both = grid::intersection(&take.support, &tightest.support);
    let mut difference_db = vec![0.0; POINTS];
    for i in both.clone() {
        difference_db[i] = take.level_db[i] - tightest.level_db[i];
    }
    let over = leak::fit_below(OTHER_TO_HZ, &difference_db, &both)?;
    difference_db.iter_mut().for_each(|db| *db = -*db);
    let under = leak::fit_below(OTHER_TO_HZ, &difference_db, &both)?;
    let looser = Looser::of(over, under);
    let misfit_db = over.misfit_db.min(under.misfit_db);
    (misfit_db <= OTHER_MISFIT_DB.max(0.25 * looser.worst_db.abs())).then_some(looser)
}
