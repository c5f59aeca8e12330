//! The pages as a browser meets them, without one: what is asked for and what comes back.

use std::net::{IpAddr, Ipv4Addr};
use std::sync::Arc;

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::{Request, StatusCode, header};
use chrono::{DateTime, Utc};
use hyper_util::service::TowerToHyperService;
use rakelight_core::exchange::wire::Role;
use rakelight_core::identify::{Evidence, Facts, identify};
use rakelight_core::store::Store;
use rakelight_core::survey::{
    Closed, Consent, Identified, LandownerConsent, Opened, Record, SignNoted, StretchWalked, Visit,
};
use rakelight_core::words::Words;

use super::Pages;
use super::people::token;
use crate::service::state::Sqlite;
use crate::service::{Folder, Identity, digests, now_ms, random};

const PRINT: &str = r#"{"substrate": "soft_mud", "prints": [{"foot": "hind", "width_mm": 61, "u_width_mm": 2,
    "length_without_heel_mm": 58, "u_length_without_heel_mm": 2, "toes_seen": 5, "arrangement": "arc", "webbing": "seen"}]}"#;

/// A base with one visit that Ada made.
struct Base {
    dir: tempfile::TempDir,
    pages: Arc<Pages>,
    visit: String,
}

/// A browser: the session that it holds.
#[derive(Default)]
struct Browser {
    session: String,
}

struct Answer {
    status: StatusCode,
    location: Option<String>,
    session: Option<String>,
    policy: String,
    digest: Option<String>,
    body: String,
}

fn now() -> DateTime<Utc> {
    "2026-11-01T10:00:00Z".parse().unwrap()
}

fn opened(start: &str) -> Opened {
    serde_json::from_value(serde_json::json!({
        "purpose": "otter survey", "targets": ["lutra_lutra"], "protocol": null, "start": start, "people": ["Ada Marsh"],
        "place_name": "Sallow Bridge", "landowner": "M. Invented", "consent": "summary_only", "sensitivity_category": 1, "notice": null,
        "conditions": {},
    }))
    .unwrap()
}

/// A visit that searched as far as the standard method asks and found nothing.
fn walked(start: &str) -> Visit {
    let mut visit = Visit::open(Opened { protocol: Some("one_bank_600".into()), ..opened(start) });
    let line = vec![[9.12, 53.65], [9.13, 53.66]];
    visit.stretches.push(StretchWalked { name: "bank".into(), bank: None, line, searched_m: Some(600.0) });
    visit.closed = Some(Closed { end: visit.opened.start + chrono::Duration::minutes(90) });
    visit
}

impl Base {
    fn with(note: &str, signs: &[&str]) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let mut store = Store::open_or_create(dir.path()).unwrap();
        let mut visit = Visit::open(opened("2026-10-03T07:00:00+02:00"));
        for id in signs {
            let sign = serde_json::json!({ "id": id, "sign": "print", "photos": [], "note": note, "time": "2026-10-03T08:00:00+02:00" });
            visit.signs.push(serde_json::from_value::<SignNoted>(sign).unwrap());
            let evidence = Evidence::from_json(PRINT).unwrap();
            let result = identify(&evidence, Facts::builtin().unwrap(), &Words::load("en").unwrap()).unwrap();
            let (core_version, facts_digest) = (String::new(), String::new());
            visit.identified.push(Identified { sign: (*id).into(), evidence, result, core_version, facts_digest });
        }
        store.write_visit(&visit, now()).unwrap();
        let (records, state) = (Folder::open(dir.path()).unwrap(), Sqlite::open(dir.path()).unwrap());
        let identity = Identity::of_pem(Identity::new_pem().unwrap().as_bytes()).unwrap();
        let pages = Pages::new(Arc::new(records), Arc::new(state), &[1; 32], &identity, None).unwrap();
        Self { dir, pages: Arc::new(pages), visit: visit.id }
    }

    fn router(&self) -> Router {
        self.pages.clone().router().layer(axum::Extension(IpAddr::from(Ipv4Addr::LOCALHOST)))
    }

    fn store(&self) -> Store {
        Store::open(self.dir.path()).unwrap()
    }

    /// Somebody who has come by a link.
    fn logged_in(&self, name: &str, role: Role) -> Browser {
        let mut browser = Browser::default();
        let link = self.link(name, role);
        let answer = browser.post(self, &link, &[]);
        browser.session = answer.session.unwrap();
        browser
    }

    fn link(&self, name: &str, role: Role) -> String {
        let (token, now) = (token().unwrap(), now_ms());
        let sha256 = digests::sha256(token.as_bytes());
        self.pages.state.give_log_in(&random().unwrap(), name, role, &sha256, [now, now + 1_000_000]).unwrap();
        format!("/log-in/{token}")
    }

    fn sign(&self, id: &str) -> String {
        format!("/visits/{}/signs/{}", self.visit, super::sign::encoded(id))
    }
}

impl Browser {
    fn ask(&self, base: &Base, request: axum::http::request::Builder, body: String) -> Answer {
        let request = request
            .header(header::HOST, "base.example:8443")
            .header(header::COOKIE, format!("__Host-rakelight={}", self.session))
            .body(Body::from(body))
            .unwrap();
        let runtime = tokio::runtime::Runtime::new().unwrap();
        runtime.block_on(async {
            use hyper::service::Service;
            let answer = TowerToHyperService::new(base.router()).call(request).await.unwrap();
            let text = |name| {
                answer.headers().get(name).map(|value: &axum::http::HeaderValue| value.to_str().unwrap().to_owned())
            };
            let cookie = text(header::SET_COOKIE);
            let session = cookie.and_then(|set| Some(set.split_once('=')?.1.split_once(';')?.0.to_owned()));
            let (status, location) = (answer.status(), text(header::LOCATION));
            let policy = text(header::CONTENT_SECURITY_POLICY).unwrap_or_default();
            let digest = text(digests::REPR_DIGEST);
            let body = to_bytes(answer.into_body(), usize::MAX).await.unwrap();
            Answer { status, location, session, policy, digest, body: String::from_utf8_lossy(&body).into_owned() }
        })
    }

    fn get(&self, base: &Base, path: &str) -> Answer {
        self.ask(base, Request::get(path), String::new())
    }

    fn post(&self, base: &Base, path: &str, fields: &[(&str, &str)]) -> Answer {
        let token = base.pages.seals.form_token(&self.session);
        let mut form = form_urlencoded::Serializer::new(String::new());
        form.append_pair("token", &token).extend_pairs(fields);
        let request = Request::post(path).header(header::CONTENT_TYPE, "application/x-www-form-urlencoded");
        self.ask(base, request, form.finish())
    }

    fn checks(&self, base: &Base, sign: &str, maker: &str) -> Answer {
        self.post(base, &base.sign(sign), &[("verdict", "made_by"), ("maker", maker)])
    }
}

#[test]
fn a_stranger_sees_nothing_but_the_way_in() {
    let base = Base::with("", &["print-1"]);
    let stranger = Browser::default();
    for path in
        ["/", "/to-check", "/visits", &base.sign("print-1"), "/people", "/map.json", "/photographs/aa/photo.jpg"]
    {
        let answer = stranger.get(&base, path);
        assert_eq!(answer.status, StatusCode::SEE_OTHER, "{path}");
        assert!(answer.location.unwrap().starts_with("/log-in?next="));
    }
    assert!(!stranger.get(&base, "/log-in").body.contains("Sallow"));
}

#[test]
fn a_link_logs_in_once_and_a_password_afterwards() {
    let base = Base::with("", &["print-1"]);
    let link = base.link("Bo Reed", Role::Checker);
    let mut browser = Browser::default();
    assert!(browser.get(&base, &link).body.contains("Bo Reed"), "looking at it doesn't use it up");
    let answer = browser.post(&base, &link, &[]);
    assert_eq!(answer.location.as_deref(), Some("/me?new=1"));
    browser.session = answer.session.unwrap();
    assert_eq!(Browser::default().post(&base, &link, &[]).status, StatusCode::GONE, "used");
    let password = [("password", "low sun over mud"), ("again", "low sun over mud")];
    browser.session = browser.post(&base, "/me", &password).session.unwrap();
    assert_eq!(browser.get(&base, "/to-check").status, StatusCode::OK);
    let log_in = |name, password| {
        Browser::default().post(
            &base,
            "/log-in",
            &[("name", name), ("password", password), ("next", "//elsewhere.example")],
        )
    };
    let answer = log_in("Bo Reed", "low sun over mud");
    assert_eq!((answer.status, answer.location.as_deref()), (StatusCode::SEE_OTHER, Some("/")));
    for _ in 0..5 {
        assert_eq!(log_in("Bo Reed", "high sun").status, StatusCode::FORBIDDEN);
    }
    assert_eq!(
        log_in("Bo Reed", "low sun over mud").status,
        StatusCode::TOO_MANY_REQUESTS,
        "it can't be tried for long"
    );
    assert_eq!(log_in("Nobody", "high sun").status, StatusCode::FORBIDDEN);
    browser.post(&base, "/log-out", &[]);
    assert_eq!(
        browser.get(&base, "/to-check").status,
        StatusCode::SEE_OTHER,
        "the cookie alone is worth nothing any more"
    );
}

#[test]
fn a_passkey_that_answers_nothing_that_was_asked_logs_nobody_in() {
    let base = Base::with("", &["print-1"]);
    let (bo, stranger) = (base.logged_in("Bo Reed", Role::Checker), Browser::default());
    let asked = stranger.post(&base, "/log-in/passkey/ask", &[]);
    assert!(
        asked.body.contains("\"rpId\":\"base.example\"") && asked.body.contains("\"userVerification\":\"required\"")
    );
    let made = bo.post(&base, "/me/passkeys/ask", &[]);
    assert!(made.body.contains("Bo Reed") && !made.body.contains("credentialProtectionPolicy"), "{}", made.body);
    let long = "x".repeat(100_000);
    for answer in ["", "{}", "null", "[[[[[[", "{\"id\": \"AA\", \"rawId\": \"AA\", \"response\": {}}", &long] {
        let credential = [("credential", answer)];
        assert_eq!(stranger.post(&base, "/log-in/passkey", &credential).status, StatusCode::FORBIDDEN, "{answer:.60}");
        assert_eq!(bo.post(&base, "/me/passkeys", &credential).status, StatusCode::FORBIDDEN, "{answer:.60}");
    }
    (0..20).for_each(|_| drop(stranger.post(&base, "/log-in/passkey/ask", &[])));
    let status = stranger.post(&base, "/log-in/passkey/ask", &[]).status;
    assert_eq!(status, StatusCode::TOO_MANY_REQUESTS, "nor does anybody fill the memory with questions");
}

#[test]
fn findings_compare_the_same_days_of_each_year() {
    let base = Base::with("", &[]);
    let bo = base.logged_in("Bo Reed", Role::Checker);
    let mut store = base.store();
    for start in ["2025-10-05T09:00:00Z", "2026-10-05T09:00:00Z"] {
        store.write_visit(&walked(start), now()).unwrap();
    }
    let page = bo.get(&base, "/findings?from=2026-09-01&to=2026-11-30").body;
    assert!(page.contains("Change from year to year") && page.contains("Sallow Bridge"), "{page}");
    assert!(page.contains("2025 to 2026") && page.contains("Of 1 places visited in both seasons"), "{page}");
    let other_days = bo.get(&base, "/findings?from=2026-01-01&to=2026-02-28").body;
    assert!(other_days.contains("Nobody was out in the same days"));
    assert!(bo.get(&base, "/findings").body.contains("With both days given, the same days"));
}

#[test]
fn photographs_for_others_come_as_one_file() {
    let base = Base::with("", &["print-1"]);
    let cy = base.logged_in("Cy Flint", Role::Coordinator);
    let asked = [("format", "photos"), ("licence", "CC0-1.0")];
    let answer = cy.post(&base, "/export", &asked);
    assert_eq!(answer.status, StatusCode::OK);
    assert!(answer.body.starts_with("PK") && answer.body.contains("photographs.csv"));
    assert!(answer.digest.is_some(), "so that it is handed on as it is read, however large");
}

#[test]
fn a_form_of_another_site_or_without_its_token_changes_nothing() {
    let base = Base::with("", &["print-1"]);
    let bo = base.logged_in("Bo Reed", Role::Checker);
    let send = |request: axum::http::request::Builder, body: &str| {
        let request = request.header(header::CONTENT_TYPE, "application/x-www-form-urlencoded");
        bo.ask(&base, request, body.to_owned()).status
    };
    let form = "verdict=open&why=x";
    assert_eq!(send(Request::post(base.sign("print-1")), form), StatusCode::FORBIDDEN);
    let with_token = format!("{form}&token={}", base.pages.seals.form_token(&bo.session));
    let foreign = Request::post(base.sign("print-1")).header("origin", "https://elsewhere.example");
    assert_eq!(send(foreign, &with_token), StatusCode::FORBIDDEN);
    assert_eq!(base.store().visit(&base.visit).unwrap().unwrap().checks, []);
    let own = Request::post(base.sign("print-1")).header("origin", "https://base.example:8443");
    assert_eq!(send(own, &with_token), StatusCode::SEE_OTHER);
}

#[test]
fn the_first_look_is_blind_and_what_it_means_follows_from_the_maker_that_was_named() {
    let base = Base::with("", &["print-1", "print-2"]);
    let (bo, cy) = (base.logged_in("Bo Reed", Role::Checker), base.logged_in("Cy Flint", Role::Checker));
    let page = bo.get(&base, &base.sign("print-1")).body;
    assert!(!page.contains("What the program says") && !page.contains("times likelier"), "{page}");
    assert!(!bo.get(&base, &format!("/visits/{}", base.visit)).body.contains("Eurasian otter"));
    assert_eq!(bo.get(&base, &format!("/visits/{}/summary", base.visit)).status, StatusCode::UNPROCESSABLE_ENTITY);
    let place = || bo.get(&base, "/place?name=Sallow+Bridge").body;
    assert!(
        place().contains("stays hidden") && !place().contains("Eurasian otter"),
        "nor does the place's history tell"
    );
    assert_eq!(bo.checks(&base, "print-1", "lutra_lutra").status, StatusCode::SEE_OTHER);
    let page = bo.get(&base, &base.sign("print-1")).body;
    assert!(page.contains("What the program says") && page.contains("before seeing anything else"));
    assert!(!cy.get(&base, &base.sign("print-1")).body.contains("Bo Reed"), "nor what others said");
    cy.checks(&base, "print-1", "canis_familiaris");
    let checks = base.store().visit_and_opinions(&base.visit).unwrap().unwrap().1;
    let said: Vec<_> = checks.iter().map(|o| (o.by.as_str(), o.check.instead.as_deref(), o.check.blind)).collect();
    assert_eq!(said, [("Bo Reed", None, true), ("Cy Flint", Some("canis_familiaris"), true)]);
    let agreement = bo.get(&base, "/agreement").body;
    assert!(agreement.contains("Bo Reed") && agreement.contains("Cy Flint"));
    bo.checks(&base, "print-2", "lutra_lutra");
    assert!(place().contains("Eurasian otter") && !place().contains("stays hidden"));
    // What they say after that isn't blind, and a doubt needs a reason.
    let again = [("verdict", "does_not_fit"), ("maker", "canis_familiaris")];
    assert_eq!(bo.post(&base, &base.sign("print-1"), &again).status, StatusCode::UNPROCESSABLE_ENTITY);
    bo.post(&base, &base.sign("print-1"), &[again[0], again[1], ("why", "claws far ahead")]);
    let checks = base.store().visit_and_opinions(&base.visit).unwrap().unwrap().1;
    assert_eq!(checks.last().map(|o| (o.check.blind, o.check.why.as_deref())), Some((false, Some("claws far ahead"))));
}

#[test]
fn who_had_the_findings_shown_does_not_look_blind_any_more() {
    let base = Base::with("", &["print-1"]);
    let bo = base.logged_in("Bo Reed", Role::Checker);
    bo.post(&base, &format!("/visits/{}/findings", base.visit), &[]);
    assert!(bo.get(&base, &format!("/visits/{}", base.visit)).body.contains("Eurasian otter"));
    bo.post(&base, &base.sign("print-1"), &[("verdict", "fits")]);
    assert!(!base.store().visit_and_opinions(&base.visit).unwrap().unwrap().1[0].check.blind);
}

#[test]
fn nobody_checks_their_own_signs_but_answers_what_is_asked() {
    let base = Base::with("", &["print-1"]);
    let (ada, bo) = (base.logged_in("ada marsh", Role::Coordinator), base.logged_in("Bo Reed", Role::Checker));
    assert_eq!(ada.checks(&base, "print-1", "lutra_lutra").status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(ada.get(&base, "/to-check?list=own").body.contains("print-1"));
    bo.post(&base, &base.sign("print-1"), &[("verdict", "question"), ("why", "How deep was the mud?")]);
    assert!(ada.get(&base, &base.sign("print-1")).body.contains("How deep was the mud?"));
    ada.post(&base, &format!("{}/answer", base.sign("print-1")), &[("why", "To the ankle.")]);
    assert!(bo.get(&base, &base.sign("print-1")).body.contains("To the ankle."));
    let visit = base.store().visit(&base.visit).unwrap().unwrap();
    assert_eq!(visit.checks.len(), 1, "an answer is no check");
}

#[test]
fn what_was_said_is_in_the_log_with_its_author() {
    let base = Base::with("", &["print-1"]);
    base.logged_in("Bo Reed", Role::Checker).checks(&base, "print-1", "lutra_lutra");
    let entries = base.store().entries_of(&base.visit).unwrap();
    let check = entries.iter().find(|entry| entry.kind == "check").unwrap();
    assert_eq!(check.author.as_deref(), Some("Bo Reed"));
    assert_eq!(check.device, base.store().device().unwrap(), "the base's own log");
    assert!(base.store().verify().unwrap().damage.is_empty());
}

#[test]
fn hostile_words_stay_words() {
    let hostile = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>\u{202e}gnirts{{ 7*7 }}";
    let base = Base::with(hostile, &["print-1", "a/../b?c#d<script>", "\u{1f9a6}"]);
    let bo = base.logged_in(&format!("Bo {hostile}"), Role::Coordinator);
    for path in [
        "/to-check",
        "/visits",
        "/people",
        &base.sign("a/../b?c#d<script>"),
        &base.sign("\u{1f9a6}"),
        &base.sign("print-1"),
    ] {
        let answer = bo.get(&base, path);
        assert_eq!(answer.status, StatusCode::OK, "{path}");
        assert!(!answer.body.contains("<script>alert") && !answer.body.contains("<img src=x"), "{path}");
        assert!(!answer.body.contains("b?c#d<script>") && !answer.body.contains(" onerror=alert(1)>"), "{path}");
        assert!(answer.policy.contains("script-src 'self'") && !answer.policy.contains("unsafe"), "{}", answer.policy);
    }
    assert!(bo.get(&base, &base.sign("print-1")).body.contains("{{ 7*7 }}"), "no template either");
}

#[test]
fn a_summarys_link_dies_with_the_consent_and_when_it_is_taken_back() {
    let base = Base::with("", &[]);
    let (cy, stranger) = (base.logged_in("Cy Flint", Role::Coordinator), Browser::default());
    let summary = format!("/visits/{}/summary", base.visit);
    let link = || {
        let page = cy.post(&base, &summary, &[("lang", "de"), ("days", "30")]).body;
        let page = page.replace("&#x2f;", "/");
        let (_, rest) = page.split_once("https://base.example:8443").unwrap();
        rest.split_once('<').unwrap().0.to_owned()
    };
    let (one, other) = (link(), link());
    let shown = stranger.get(&base, &one);
    assert!(
        shown.status == StatusCode::OK && shown.body.contains("Sallow Bridge") && shown.body.contains("lang=\"de\"")
    );
    assert!(shown.policy.starts_with("default-src 'none'") && !shown.policy.contains("script"));
    let links = base.pages.state.summary_links(&base.visit, now_ms()).unwrap();
    assert_eq!(links.len(), 2);
    let of_one = hex::encode(digests::sha256(one.rsplit('/').next().unwrap().as_bytes()));
    cy.post(&base, &format!("{summary}/withdraw"), &[("link", &of_one)]);
    assert_eq!(stranger.get(&base, &one).status, StatusCode::GONE);
    assert_eq!(stranger.get(&base, &other).status, StatusCode::OK, "that one alone");
    let given = now().fixed_offset();
    let withdrawn = LandownerConsent { landowner: None, consent: Consent::None, given, note: None };
    base.store().write_records(&base.visit, "Cy", &[Record::LandownerConsent(withdrawn)], now()).unwrap();
    assert_eq!(stranger.get(&base, &other).status, StatusCode::GONE, "at once");
    assert_eq!(cy.post(&base, &summary, &[("lang", "de"), ("days", "30")]).status, StatusCode::UNPROCESSABLE_ENTITY);
}

#[test]
fn each_role_does_its_own_work_only() {
    let base = Base::with("", &["print-1"]);
    let (field, checker) = (base.logged_in("Dee Holt", Role::FieldWorker), base.logged_in("Bo Reed", Role::Checker));
    assert_eq!(field.checks(&base, "print-1", "lutra_lutra").status, StatusCode::FORBIDDEN);
    for path in ["/people", "/people/invite", "/people/bar"] {
        let status = if path == "/people" { checker.get(&base, path) } else { checker.post(&base, path, &[]) }.status;
        assert_eq!(status, StatusCode::FORBIDDEN, "{path}");
    }
    let consent = format!("/visits/{}/consent", base.visit);
    assert_eq!(checker.post(&base, &consent, &[("consent", "none")]).status, StatusCode::FORBIDDEN);
    let cy = base.logged_in("Cy Flint", Role::Coordinator);
    let bo = base.pages.state.person_named("Bo Reed").unwrap().unwrap();
    cy.post(&base, "/people/bar", &[("person", &hex::encode(bo.id)), ("barred", "yes")]);
    assert_eq!(checker.get(&base, "/to-check").status, StatusCode::SEE_OTHER, "barred at once");
    let invited = cy.post(&base, "/people/invite", &[("name", "Eve"), ("role", "field_worker"), ("what", "phone")]);
    assert!(invited.body.contains("data:image/png;base64,"));
}

#[test]
fn a_visit_with_thousands_of_signs_and_one_with_none_are_shown() {
    let many: Vec<String> = (0..2_000).map(|i| format!("print-{i}")).collect();
    let base = Base::with("", &[]);
    let cy = base.logged_in("Cy Flint", Role::Coordinator);
    assert_eq!(cy.get(&base, &format!("/visits/{}", base.visit)).status, StatusCode::OK);
    let opened = base.store().visit(&base.visit).unwrap().unwrap();
    let noted = |id: &String| {
        let sign = serde_json::json!({ "id": id, "sign": "print", "photos": [] });
        Record::SignNoted(serde_json::from_value(sign).unwrap())
    };
    let records: Vec<Record> = many.iter().map(noted).collect();
    base.store().write_records(&opened.id, "Ada Marsh", &records, now()).unwrap();
    assert!(cy.get(&base, "/to-check").body.contains("<b>2000</b>"));
    assert_eq!(cy.get(&base, &base.sign("print-1999")).status, StatusCode::OK);
    cy.post(&base, &format!("/visits/{}/findings", base.visit), &[]);
    assert!(cy.get(&base, &format!("/visits/{}", base.visit)).body.contains("1500 more signs"));
}
