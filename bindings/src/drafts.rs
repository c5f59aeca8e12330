//! What the worker has begun and not finished, kept on this phone alone.

use crate::{ShellError, Workspace};

#[uniffi::export]
impl Workspace {
    /// The draft of this name. A screen's own drafts are named `SCREEN/…`; those of `track/` are the recording's.
    pub fn draft(&self, name: String) -> Result<Option<String>, ShellError> {
        Ok(self.store().draft(&name)?)
    }

    /// Keeps a draft in the place of an older one of its name; when this returns, it outlives an empty battery.
    pub fn keep_draft(&self, name: String, text: String) -> Result<(), ShellError> {
        Ok(self.store().keep_draft(&name, &text)?)
    }

    /// Drops a draft, once what it said is a record or was thrown away.
    pub fn drop_draft(&self, name: String) -> Result<(), ShellError> {
        Ok(self.store().drop_draft(&name)?)
    }

    /// The names of the drafts that begin with `prefix`.
    pub fn drafts(&self, prefix: String) -> Result<Vec<String>, ShellError> {
        Ok(self.store().drafts(&prefix)?)
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn what_was_half_typed_is_there_when_the_app_starts_again() {
        let folder = tempfile::tempdir().unwrap();
        let open = || crate::demo::open(folder.path());
        open().keep_draft("sign/new".into(), "on the third sto".into()).unwrap();
        let core = open();
        assert_eq!(core.drafts("sign/".into()).unwrap(), ["sign/new"]);
        assert_eq!(core.draft("sign/new".into()).unwrap().as_deref(), Some("on the third sto"));
        core.drop_draft("sign/new".into()).unwrap();
        assert_eq!(core.draft("sign/new".into()).unwrap(), None);
    }
}
