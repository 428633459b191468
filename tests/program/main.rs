//! The program as it is run: its verbs, its files, its documents, odd inputs.

#[path = "../support/mod.rs"]
mod support;

mod command_line;
mod cost_command;
mod demo_data;
mod documentation;
mod golden_files;
mod inspect_command;
mod json_schema;
mod odd_inputs;
mod outputs_hold;
mod target_command;
