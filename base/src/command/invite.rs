//! `rakelight invite`: lets a device join the team.

use std::io::IsTerminal;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr, UdpSocket};
use std::path::PathBuf;

use base64::Engine;
use base64::prelude::BASE64_URL_SAFE_NO_PAD as BASE64;
use clap::Args;
use qrcode::{QrCode, render::unicode::Dense1x2};
use rakelight_core::exchange::Invitation;
use rakelight_core::exchange::wire::Role;
use rakelight_core::words::Words;

use super::print_json;
use super::serve::{Place, failure};
use crate::failure::Failure;
use crate::service::state::{Invited, role_name, role_of};
use crate::service::{Base, Sqlite, codes, digests, id_of, now_ms, qr, random};

/// Who is invited.
#[derive(Args)]
pub struct Arguments {
    #[command(flatten)]
    place: Place,
    /// How the team knows who is invited.
    #[arg(long)]
    name: String,
    /// What they may do: field_worker, checker or coordinator.
    #[arg(long, value_parser = role)]
    role: Role,
    /// Where their device reaches the base, as https://base.example:8443.
    #[arg(long, value_name = "URL")]
    address: Option<String>,
    /// Write the invitation's picture here too.
    #[arg(long, value_name = "FILE")]
    png: Option<PathBuf>,
    /// The invitation is good for so many hours.
    #[arg(long, default_value_t = 72, value_parser = clap::value_parser!(u32).range(1..=8_760))]
    hours: u32,
    /// Let this device in directly, without a code: for a device whose records come by a memory stick.
    #[arg(long, value_name = "HEX", conflicts_with_all = ["address", "png", "hours"])]
    device: Option<String>,
    /// Invite them to the pages instead: a link that logs in once.
    #[arg(long, conflicts_with_all = ["png", "device"])]
    pages: bool,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

/// A role from the command line.
pub fn role(text: &str) -> Result<Role, String> {
    role_of(text).ok_or_else(|| "a role is field_worker, checker or coordinator".into())
}

pub fn run(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    if arguments.pages {
        return to_pages(arguments, words);
    }
    let base = arguments.place.base()?;
    match &arguments.device {
        Some(device) => admit(arguments, device, &base, words),
        None => invite(arguments, &base, words),
    }
}

/// A link that logs in once; whoever opens it sets a password of their own.
fn to_pages(arguments: &Arguments, words: &Words) -> Result<(), Failure> {
    let dir = arguments.place.folder()?;
    let base = arguments.place.base()?;
    let address = address(arguments.address.as_deref(), &base)?;
    let no_randomness = |_| Failure::Machine("the system gives no random bytes: try again".into());
    let (token, id) = (BASE64.encode(random::<16>().map_err(no_randomness)?), random::<16>().map_err(no_randomness)?);
    let now = now_ms();
    let expires_ms = now + i64::from(arguments.hours) * 3_600_000;
    let sha256 = digests::sha256(token.as_bytes());
    let state = Sqlite::open(dir).map_err(|error| failure(error.into()))?;
    state.give_log_in(&id, &arguments.name, arguments.role, &sha256, [now, expires_ms]).map_err(failure)?;
    let (link, expires) = (format!("{address}/log-in/{token}"), time(expires_ms));
    if arguments.json {
        let role = role_name(arguments.role);
        print_json(&serde_json::json!({ "link": link, "name": arguments.name, "role": role, "expires": expires }));
        return Ok(());
    }
    println!("{link}\n");
    println!("{}", words.fill("invite.link_made", &[("name", &arguments.name), ("expires", &expires)]));
    Ok(())
}

fn admit(arguments: &Arguments, device: &str, base: &Base, words: &Words) -> Result<(), Failure> {
    let id =
        id_of(device).ok_or_else(|| Failure::input(format!("{device:?} isn't a device id: 64 hexadecimal digits")))?;
    base.state.admit(&id, &arguments.name, arguments.role, now_ms()).map_err(failure)?;
    base.spread_trust().map_err(failure)?;
    let role = role_name(arguments.role);
    if arguments.json {
        print_json(&serde_json::json!({ "device": hex::encode(id), "name": arguments.name, "role": role }));
    } else {
        let role = words.say(&format!("members.{role}")).to_owned();
        println!("{}", words.fill("invite.admitted", &[("name", &arguments.name), ("role", &role)]));
    }
    Ok(())
}

fn invite(arguments: &Arguments, base: &Base, words: &Words) -> Result<(), Failure> {
    let address = address(arguments.address.as_deref(), base)?;
    let certificate = base.identity.fingerprint();
    let code = codes::new().map_err(|_| Failure::Machine("the system gives no random bytes: try again".into()))?;
    let now = now_ms();
    let expires_ms = now + i64::from(arguments.hours) * 3_600_000;
    let invited =
        Invited { code_sha256: codes::sha256(&code), name: arguments.name.clone(), role: arguments.role, expires_ms };
    let invitation = Invitation { address, certificate, code }.to_string();
    let picture = QrCode::new(&invitation).map_err(|error| Failure::input(format!("no QR code: {error}")))?;
    if let Some(file) = &arguments.png {
        qr::png(&invitation)
            .and_then(|png| Ok(std::fs::write(file, png)?))
            .map_err(|error| Failure::Machine(format!("{} can't be written: {error}", file.display())))?;
    }
    base.state.invite(&invited, now).map_err(failure)?;
    let expires = time(expires_ms);
    if arguments.json {
        print_json(&serde_json::json!({
            "invitation": invitation, "name": arguments.name, "role": role_name(arguments.role), "expires": expires,
        }));
        return Ok(());
    }
    let role = words.say(&format!("members.{}", role_name(arguments.role))).to_owned();
    show(&picture);
    println!("{invitation}\n");
    println!("{}", words.fill("invite.made", &[("name", &arguments.name), ("role", &role), ("expires", &expires)]));
    Ok(())
}

/// Black on white, whatever the terminal's own colours are: not every camera reads a negative.
fn show(picture: &QrCode) {
    let (on, off) = if std::io::stdout().is_terminal() { ("\x1b[30;107m", "\x1b[0m") } else { ("", "") };
    for line in picture.render::<Dense1x2>().build().lines() {
        println!("{on}{line}{off}");
    }
    println!();
}

/// A moment as the command line writes it.
pub fn time(ms: i64) -> String {
    chrono::DateTime::from_timestamp_millis(ms)
        .map(|time| time.format("%Y-%m-%dT%H:%M:%SZ").to_string())
        .unwrap_or_default()
}

/// Where devices reach the base: as given, as it listens, or at the machine's own address.
fn address(given: Option<&str>, base: &Base) -> Result<String, Failure> {
    if let Some(given) = given {
        let host = given.strip_prefix("https://").map(|host| host.trim_end_matches('/'));
        let plain =
            |host: &&str| !host.is_empty() && host.bytes().all(|b| b.is_ascii_alphanumeric() || b".-:[]".contains(&b));
        let host = host.filter(plain).ok_or_else(|| {
            Failure::input(format!(
                "--address {given:?} isn't an address of the base: give it as https://base.example:8443"
            ))
        })?;
        return Ok(format!("https://{host}"));
    }
    let listen = base.state.listen().map_err(failure)?;
    let listen: Option<SocketAddr> = listen.and_then(|listen| listen.parse().ok());
    let reached = match listen {
        Some(listen) if !listen.ip().is_unspecified() => Some(listen),
        other => own_address().map(|ip| SocketAddr::new(ip, other.map_or(8443, |listen| listen.port()))),
    };
    reached.map(|reached| format!("https://{reached}")).ok_or_else(|| {
        Failure::input(
            "this machine isn't in a network that tells its address: give it with --address https://HOST:PORT",
        )
    })
}

/// The machine's own address in its network: that from which it would speak to others. Nothing is sent.
fn own_address() -> Option<IpAddr> {
    let towards = |from: IpAddr, to: IpAddr| {
        let socket = UdpSocket::bind((from, 0)).ok()?;
        socket.connect((to, 9)).ok()?;
        Some(socket.local_addr().ok()?.ip()).filter(|own| !own.is_loopback() && !own.is_unspecified())
    };
    // Addresses for documentation (RFC 5737, RFC 3849): nobody is there.
    towards(Ipv4Addr::UNSPECIFIED.into(), Ipv4Addr::new(192, 0, 2, 1).into())
        .or_else(|| towards(Ipv6Addr::UNSPECIFIED.into(), Ipv6Addr::new(0x2001, 0xdb8, 0, 0, 0, 0, 0, 1).into()))
}

#[cfg(test)]
mod tests {
    use qrcode::Color;
    use rakelight_core::photo::{Luma, read_code};

    use super::*;

    /// The picture of an invitation as a camera sees it: `module_px` a module near the middle, turned, leaning back by `lean` (how much
    /// smaller the far side is), with noise of ±`noise`.
    fn seen(text: &str, module_px: f64, turn_deg: f64, lean: f64, noise: f64) -> Luma {
        let picture = QrCode::new(text).unwrap();
        let (width, height) = (1280, 960);
        let (sin, cos) = turn_deg.to_radians().sin_cos();
        let half = picture.width() as f64 / 2.0;
        let dark = |x: f64, y: f64| {
            let (x, y) = ((x - 640.0) / module_px / half, (y - 480.0) / module_px / half);
            let away = 1.0 + lean * y;
            let [u, v] = [(x * cos - y * sin) / away, (x * sin + y * cos) / away].map(|c| (c * half + half).floor());
            let inside = |c: f64| (0.0..picture.width() as f64).contains(&c);
            inside(u) && inside(v) && picture[(u as usize, v as usize)] == Color::Dark
        };
        let mut state = 7_u64;
        let mut pixels = Vec::with_capacity(width * height);
        for at in 0..width * height {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let jitter = ((state >> 33) as f64 / f64::from(1_u32 << 31) * 2.0 - 1.0) * noise;
            let share: f64 = (0..16)
                .map(|i| {
                    let (dx, dy) = (f64::from(i % 4) / 4.0 - 0.375, f64::from(i / 4) / 4.0 - 0.375);
                    f64::from(u8::from(dark((at % width) as f64 + dx, (at / width) as f64 + dy)))
                })
                .sum();
            pixels.push((200.0 - share / 16.0 * 150.0 + jitter).clamp(0.0, 255.0) as u8);
        }
        Luma { width, height, pixels }
    }

    #[test]
    fn a_phones_camera_reads_the_invitation_turned_tilted_small_and_with_noise() {
        let invitation = Invitation {
            address: "https://192.168.178.34:8443".into(),
            certificate: [0xA7; 32],
            code: "7KQ2-M4XW-9RTD".into(),
        };
        let text = invitation.to_string();
        let read = |module_px, turn_deg, lean, noise| read_code(&seen(&text, module_px, turn_deg, lean, noise));
        for (module_px, turn_deg, lean, noise) in [
            (10.0, 0.0, 0.0, 0.0),
            (10.0, 33.0, 0.0, 20.0),
            (8.0, 180.0, 0.15, 20.0),
            (6.0, 75.0, 0.1, 20.0),
            (4.0, 10.0, 0.05, 20.0),
            (3.0, 20.0, 0.0, 10.0),
        ] {
            let text = read(module_px, turn_deg, lean, noise);
            let same = text.as_deref().and_then(|text| text.parse::<Invitation>().ok()).as_ref() == Some(&invitation);
            assert!(same, "{module_px} px a module, turned by {turn_deg}°, leaning {lean}, noise ±{noise}: {text:?}");
        }
        assert_eq!(read(0.8, 0.0, 0.0, 0.0), None, "under a pixel a module nothing can be read");
    }
}
