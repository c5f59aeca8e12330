//! `rakelight members`: who is in the team, and who may do what.

use clap::Args;
use rakelight_core::exchange::wire::Role;
use rakelight_core::words::Words;
use serde_json::json;

use super::invite::{role, time};
use super::serve::{Place, failure};
use super::{print_json, print_table};
use crate::failure::Failure;
use crate::service::state::{Member, role_name};
use crate::service::{Base, Id, id_of};

/// Whose members, and what to change.
#[derive(Args)]
pub struct Arguments {
    #[command(flatten)]
    place: Place,
    /// Take no more from this device, and give it nothing. What it handed over stays.
    #[arg(long, value_name = "DEVICE", value_parser = device)]
    bar: Option<Id>,
    /// Let a barred device in again.
    #[arg(long, value_name = "DEVICE", value_parser = device)]
    unbar: Option<Id>,
    /// Give a device another role.
    #[arg(long, value_name = "DEVICE=ROLE", value_parser = device_and_role)]
    role: Option<(Id, Role)>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

fn device(text: &str) -> Result<Id, String> {
    id_of(text).ok_or_else(|| "a device id is 64 hexadecimal digits".into())
}

fn device_and_role(text: &str) -> Result<(Id, Role), String> {
    let (of, to) = text.split_once('=').ok_or("give it as DEVICE=ROLE")?;
    Ok((device(of)?, role(to)?))
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    let base = arguments.place.base()?;
    change(arguments, &base)?;
    let members = base.state.members().map_err(failure)?;
    let forks = base.records.forks().map_err(failure)?;
    let forked = |member: &Member| forks.contains(&hex::encode(member.device));
    if arguments.json {
        let of = |member: &Member| {
            json!({
                "device": hex::encode(member.device), "name": member.name, "role": role_name(member.role),
                "barred": member.barred, "joined": time(member.joined_ms),
                "last_exchange": member.last_exchange_ms.map(time), "forked": forked(member),
            })
        };
        print_json(&json!({ "members": members.iter().map(of).collect::<Vec<_>>() }));
        return Ok(());
    }
    if members.is_empty() {
        println!("{}", words.say("members.nobody"));
        return Ok(());
    }
    show(&members, forked, words);
    Ok(())
}

fn change(arguments: &Arguments, base: &Base) -> Result<(), Failure> {
    let own = base.records.device().map_err(failure)?;
    let named = [arguments.bar, arguments.role.map(|(device, _)| device)];
    if named.into_iter().flatten().any(|device| hex::encode(device) == own) {
        return Err(Failure::input(
            "that is the base itself: without its trust no withdrawal of its own would hold any more; name another device",
        ));
    }
    let changes = [
        arguments.bar.map(|device| (device, base.state.set_barred(&device, true))),
        arguments.unbar.map(|device| (device, base.state.set_barred(&device, false))),
        arguments.role.map(|(device, role)| (device, base.state.set_role(&device, role))),
    ];
    for (device, found) in changes.into_iter().flatten() {
        if !found.map_err(failure)? {
            let device = hex::encode(device);
            return Err(Failure::input(format!(
                "no member has the device {device}: members without options lists them"
            )));
        }
    }
    base.spread_trust().map_err(failure)
}

/// A row each, with notes on what isn't as it should be.
fn show(members: &[Member], forked: impl Fn(&Member) -> bool, words: &Words) {
    let heads = ["name", "role", "last_exchange", "device", "notes"];
    let heads = heads.map(|key| words.say(&format!("members.{key}")).to_owned());
    let rows: Vec<[String; 5]> = members
        .iter()
        .map(|member| {
            let notes = [(member.barred, "members.barred"), (forked(member), "members.forked")];
            let notes: Vec<&str> = notes.iter().filter(|(is, _)| *is).map(|(_, key)| words.say(key)).collect();
            [
                member.name.clone(),
                words.say(&format!("members.{}", role_name(member.role))).to_owned(),
                member.last_exchange_ms.map_or_else(|| words.say("members.never").to_owned(), time),
                hex::encode(member.device),
                notes.join(", "),
            ]
        })
        .collect();
    print_table(&heads, &rows);
}
