//! `meta.xml`: which file holds what, column by column.

use super::tables::Table;
use crate::export::text::xml;

/// The whole of it; what is usual is said all the same, as the text guide advises.
pub(super) fn meta() -> String {
    let [core, extensions @ ..] = Table::ALL;
    let extensions: String = extensions.into_iter().map(|table| section("extension", "coreid", table)).collect();
    format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<archive xmlns=\"http://rs.tdwg.org/dwc/text/\" metadata=\"eml.xml\">\n{}{extensions}</archive>\n",
        section("core", "id", core),
    )
}

fn section(name: &str, id: &str, table: Table) -> String {
    // An extension's first column is the core's identifier and has no meaning of its own.
    let own = usize::from(name == "extension");
    let fields = table.terms().into_iter().enumerate().skip(own);
    let fields: String =
        fields.map(|(i, term)| format!("    <field index=\"{i}\" term=\"{}\"/>\n", xml(&term))).collect();
    format!(
        "  <{name} rowType=\"{}\" encoding=\"UTF-8\" fieldsTerminatedBy=\",\" linesTerminatedBy=\"\\n\" fieldsEnclosedBy=\"&quot;\" ignoreHeaderLines=\"1\" dateFormat=\"YYYY-MM-DD\">\n    \
         <files>\n      <location>{}</location>\n    </files>\n    <{id} index=\"0\"/>\n{fields}  </{name}>\n",
        table.row_type(),
        table.file(),
    )
}
