//! How pages are filled in, and their common look.

use minijinja::value::Serde;
use minijinja::{AutoEscape, Environment, Error};
use serde::Serialize;

use crate::words::Words;

/// On screens and on paper. `@page` stands outside of `@media print`, where some renderers don't look for it.
const STYLE: &str = concat!(
    include_str!("summary.css"),
    "@media print {\n",
    include_str!("print.css"),
    "}\n@page { size: A4; margin: 8mm 11mm; }\n"
);

/// A page filled in; everything is escaped that the template doesn't call safe.
pub(crate) fn render(name: &str, template: &str, page: &impl Serialize, words: &Words) -> Result<String, Error> {
    let mut environment = Environment::new();
    environment.set_auto_escape_callback(|_| AutoEscape::Html);
    environment.set_undefined_behavior(minijinja::UndefinedBehavior::Strict);
    environment.add_template(name, template)?;
    environment.add_global("style", STYLE);
    environment.add_global("lang", words.language());
    let table = words.clone();
    environment.add_function("say", move |key: String| table.say(&key).to_owned());
    environment.get_template(name)?.render(Serde(page))
}
