//! What each subject shows: from the record of a verb to one [`super::blocks::Report`], which figures, in which words and
//! which order. Nothing here computes a result, and nothing knows how it will be laid out.

pub mod card;
pub mod check;
pub mod compare;
pub mod cost;
pub mod export;
pub mod fit;
pub mod inspect;
pub mod listen;
pub mod made;
pub mod target;
