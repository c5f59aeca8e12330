//! Who asks for a page, in which language, and what they may see.

use std::convert::Infallible;
use std::net::IpAddr;
use std::sync::Arc;

use axum::Extension;
use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use rakelight_core::exchange::wire::Role;
use rakelight_core::survey::{Opinion, Visit, same_name, was_there};
use rakelight_core::words::{LANGUAGES, Words};
use serde_json::Value;

use super::fields::Fields;
use super::refusal::Refusal;
use super::templates::context;
use super::{Pages, Site};
use crate::service::now_ms;
use crate::service::state::{Person, role_name};

/// The session's cookie: for this host alone, over TLS alone, and nothing that scripts see.
const COOKIE: &str = "__Host-rakelight";

/// A request for a page.
pub struct Ask {
    site: Site,
    language: &'static str,
    session: String,
    client: IpAddr,
    /// Where it comes from, if the browser says it: another site's forms change nothing here.
    foreign: bool,
    path: String,
    host: String,
    pub query: Fields,
}

/// Who reads the page, and what it is made with.
pub struct Reader<'a> {
    pub pages: &'a Arc<Pages>,
    pub words: &'a Words,
    pub person: Option<Person>,
    pub client: IpAddr,
    pub query: &'a Fields,
    session: &'a str,
    path: &'a str,
    host: &'a str,
}

impl FromRequestParts<Site> for Ask {
    type Rejection = Infallible;

    async fn from_request_parts(parts: &mut Parts, site: &Site) -> Result<Self, Infallible> {
        let client = Extension::<IpAddr>::from_request_parts(parts, site).await;
        Ok(Self {
            site: site.clone(),
            language: language(&parts.headers),
            session: cookie(&parts.headers).unwrap_or_default().to_owned(),
            client: client.map_or(IpAddr::from([0, 0, 0, 0]), |Extension(client)| client),
            foreign: is_foreign(&parts.headers),
            path: parts.uri.path_and_query().map_or_else(String::new, ToString::to_string),
            host: text(&parts.headers, header::HOST).unwrap_or_default().to_owned(),
            query: Fields::of_query(parts.uri.query()),
        })
    }
}

impl Ask {
    /// A page that anyone may see.
    pub async fn anyone(self, work: impl FnOnce(&Reader) -> Result<Response, Refusal> + Send + 'static) -> Response {
        self.answer(move |reader| work(reader)).await
    }

    /// A page for those who are logged in and have at least this role.
    pub async fn person(
        self,
        least: Role,
        work: impl FnOnce(&Reader, &Person) -> Result<Response, Refusal> + Send + 'static,
    ) -> Response {
        self.answer(move |reader| {
            let person = reader.person.clone().ok_or(Refusal::LogIn)?;
            if person.role < least {
                return Err(Refusal::NOT_ALLOWED);
            }
            reader.pages.state.seen(&person.id, now_ms())?;
            work(reader, &person)
        })
        .await
    }

    /// A form of somebody who is logged in.
    pub async fn form(
        self,
        least: Role,
        fields: Fields,
        work: impl FnOnce(&Reader, &Person, &Fields) -> Result<Response, Refusal> + Send + 'static,
    ) -> Response {
        let foreign = self.foreign;
        self.person(least, move |reader, person| {
            if foreign || !reader.pages.seals.is_form_token(reader.session, fields.raw("token")) {
                return Err(Refusal::STALE);
            }
            work(reader, person, &fields)
        })
        .await
    }

    /// A form of somebody who isn't logged in yet.
    pub async fn open_form(
        self,
        fields: Fields,
        work: impl FnOnce(&Reader, &Fields) -> Result<Response, Refusal> + Send + 'static,
    ) -> Response {
        let foreign = self.foreign;
        self.anyone(move |reader| if foreign { Err(Refusal::STALE) } else { work(reader, &fields) }).await
    }

    /// Off the threads that answer, since every page waits for a disk.
    async fn answer(self, work: impl FnOnce(&Reader) -> Result<Response, Refusal> + Send + 'static) -> Response {
        let answered = tokio::task::spawn_blocking(move || {
            let words = self.site.templates.words(self.language);
            let mut reader = Reader {
                pages: &self.site,
                words,
                person: None,
                client: self.client,
                query: &self.query,
                session: &self.session,
                path: &self.path,
                host: &self.host,
            };
            let done = reader.recognise().and_then(|()| work(&reader));
            done.unwrap_or_else(|refusal| reader.refuse(&refusal))
        });
        answered.await.unwrap_or_else(|_| StatusCode::INTERNAL_SERVER_ERROR.into_response())
    }
}

impl Reader<'_> {
    fn recognise(&mut self) -> Result<(), Refusal> {
        let Some((id, era)) = self.pages.seals.person_of(self.session, now_ms()) else { return Ok(()) };
        let person = self.pages.state.person(&id)?;
        self.person = person.filter(|person| person.era == era && !person.barred);
        Ok(())
    }

    /// Where the reader reaches the base: phones and landowners do so too.
    pub fn address(&self) -> Result<String, Refusal> {
        let plain = |b: u8| b.is_ascii_alphanumeric() || b".-:[]".contains(&b);
        let fine = !self.host.is_empty() && self.host.bytes().all(plain);
        fine.then(|| format!("https://{}", self.host)).ok_or(Refusal::STALE)
    }

    /// Whether this person may yet look blind at signs of a visit, so that nobody may show them what was made of it.
    pub fn is_blind(&self, visit: &Visit, opinions: &[Opinion], person: &Person, id: &str) -> Result<bool, Refusal> {
        if person.role < Role::Checker || was_there(&visit.opened.people, &person.name) {
            return Ok(false);
        }
        let said = |sign: &str| opinions.iter().any(|o| o.check.sign == sign && same_name(&o.by, &person.name));
        let unseen = visit.signs.iter().any(|noted| !said(&noted.id));
        Ok(unseen && !self.pages.state.were_shown_findings(&person.id, id)?)
    }

    /// A page of a template.
    pub fn page(&self, template: &str, values: Value) -> Result<Response, Refusal> {
        self.page_with(StatusCode::OK, template, values)
    }

    pub fn page_with(&self, status: StatusCode, template: &str, values: Value) -> Result<Response, Refusal> {
        let person = self.person.as_ref();
        let role = |least: Role| person.is_some_and(|person| person.role >= least);
        let values = context! {
            me => person.map(|person| &person.name),
            my_role => person.map(|person| role_name(person.role)),
            checks => role(Role::Checker),
            coordinates => role(Role::Coordinator),
            token => self.pages.seals.form_token(self.session),
            path => self.path.split('?').next(),
            built => super::statics::is_built(),
            version => env!("CARGO_PKG_VERSION"),
            ..values
        };
        let html = self.html(template, &values)?;
        Ok((status, [(header::CONTENT_TYPE, "text/html; charset=utf-8")], html).into_response())
    }

    /// What a template makes of these values alone.
    pub fn html(&self, template: &str, values: &Value) -> Result<String, Refusal> {
        self.pages.templates.render(self.words.language(), template, values).map_err(Refusal::machine)
    }

    fn refuse(&self, refusal: &Refusal) -> Response {
        let (status, text) = match refusal {
            Refusal::LogIn => {
                let next: String = form_urlencoded::byte_serialize(self.path.as_bytes()).collect();
                return to(&format!("/log-in?next={next}"));
            }
            Refusal::Say(status, key) => (*status, self.words.say(key).to_owned()),
            Refusal::TooOften(seconds) => {
                let text = self.words.fill("pages.refused.too_often", &[("seconds", &seconds.to_string())]);
                (StatusCode::TOO_MANY_REQUESTS, text)
            }
        };
        let page = self.page_with(status, "refused.html", context! { text });
        page.unwrap_or_else(|_| StatusCode::INTERNAL_SERVER_ERROR.into_response())
    }
}

/// Goes on at another page of ours.
pub fn to(path: &str) -> Response {
    let mut response = StatusCode::SEE_OTHER.into_response();
    if let Ok(path) = HeaderValue::try_from(path) {
        response.headers_mut().insert(header::LOCATION, path);
    }
    response
}

/// Puts the session into the browser, or takes it out.
pub fn with_session(mut response: Response, session: Option<&str>) -> Response {
    let value = session.map_or_else(
        || format!("{COOKIE}=; Path=/; Secure; HttpOnly; SameSite=Lax; Max-Age=0"),
        |session| format!("{COOKIE}={session}; Path=/; Secure; HttpOnly; SameSite=Lax"),
    );
    if let Ok(value) = HeaderValue::try_from(value) {
        response.headers_mut().insert(header::SET_COOKIE, value);
    }
    response
}

/// A path of ours to go on at; anything else, such as another site's address, leads home.
pub fn own_path(next: Option<&str>) -> &str {
    next.filter(|next| next.starts_with('/') && !next.starts_with("//") && !next.contains(['\\', '\r', '\n']))
        .unwrap_or("/")
}

fn text(headers: &HeaderMap, name: header::HeaderName) -> Option<&str> {
    headers.get(name).and_then(|value| value.to_str().ok())
}

fn cookie(headers: &HeaderMap) -> Option<&str> {
    let cookies = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
    let mut pairs = cookies.flat_map(|value| value.split(';')).filter_map(|pair| pair.trim().split_once('='));
    pairs.find(|(name, _)| *name == COOKIE).map(|(_, value)| value)
}

/// The first of the reader's languages (RFC 9110, section 12.5.4) that there are texts in; English else.
fn language(headers: &HeaderMap) -> &'static str {
    let accepted = text(headers, header::ACCEPT_LANGUAGE).unwrap_or_default();
    let mut wanted: Vec<(&str, f64)> = accepted
        .split(',')
        .filter_map(|part| {
            let mut parts = part.trim().split(';');
            let quality = |text: &str| text.trim().strip_prefix("q=").and_then(|q| q.parse().ok());
            Some((parts.next()?, parts.find_map(quality).unwrap_or(1.0)))
        })
        .collect();
    wanted.sort_by(|a, b| b.1.total_cmp(&a.1));
    let known = |(tag, _): &(&str, f64)| {
        LANGUAGES.into_iter().find(|known| tag.split('-').next().is_some_and(|main| main.eq_ignore_ascii_case(known)))
    };
    wanted.iter().filter(|(_, quality)| *quality > 0.0).find_map(known).unwrap_or("en")
}

/// Whether another site's page sent this, as far as the browser says (Fetch: `Origin`, `Sec-Fetch-Site`).
fn is_foreign(headers: &HeaderMap) -> bool {
    let text = |name| text(headers, name);
    if let Some(site) = text(header::HeaderName::from_static("sec-fetch-site")) {
        return !matches!(site, "same-origin" | "none");
    }
    let host = text(header::HOST).unwrap_or_default();
    text(header::ORIGIN).is_some_and(|origin| origin.split_once("://").is_none_or(|(_, own)| own != host))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn with(name: header::HeaderName, value: &str) -> HeaderMap {
        HeaderMap::from_iter([(name, HeaderValue::from_str(value).unwrap())])
    }

    #[test]
    fn a_page_speaks_the_first_of_the_readers_languages_that_it_knows() {
        let of = |value| language(&with(header::ACCEPT_LANGUAGE, value));
        assert_eq!(of("nl, de-AT;q=0.8, en;q=0.9"), "en");
        assert_eq!(of("nl, DE-at, en;q=0.9"), "de");
        assert_eq!((of("pl"), of("nl"), of("fr;q=0"), of(";;,q=")), ("pl", "en", "en", "en"));
    }

    #[test]
    fn nobody_is_sent_to_another_site() {
        for next in ["//elsewhere.example/", "https://elsewhere.example", "/\\elsewhere", "/a\r\nb", ""] {
            assert_eq!(own_path(Some(next)), "/", "{next:?}");
        }
        assert_eq!(own_path(Some("/visits?from=50")), "/visits?from=50");
    }

    #[test]
    fn another_sites_form_is_known_by_what_the_browser_says() {
        let site = header::HeaderName::from_static("sec-fetch-site");
        assert!(is_foreign(&with(site.clone(), "cross-site")) && !is_foreign(&with(site, "same-origin")));
        let mut headers = with(header::ORIGIN, "https://base.example:8443");
        assert!(is_foreign(&headers));
        headers.insert(header::HOST, HeaderValue::from_static("base.example:8443"));
        assert!(!is_foreign(&headers) && !is_foreign(&HeaderMap::new()));
        assert!(is_foreign(&with(header::ORIGIN, "null")));
    }
}
