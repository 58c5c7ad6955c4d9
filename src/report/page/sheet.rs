//! What a page is made from: each check's verdict document, and what its captures tell beside it.

use serde_json::Value;

use super::doc::Doc;
use super::record::Record;
use crate::base::Zone;
use crate::check::ct::curve::Curve;
use crate::evidence::Case;

/// Everything a page shows.
#[derive(Clone, Debug)]
pub struct Report {
    /// What goes into the page for machines, and what the page is rendered from.
    pub record: Record,
    /// One for each document of the record, in its order.
    pub sheets: Vec<Sheet>,
}

/// One check on paper.
#[derive(Clone, Debug)]
pub struct Sheet {
    /// The verdict document.
    pub document: Value,
    /// What its captures tell; nothing where they were not at hand.
    pub evidence: Option<Evidence>,
}

/// What only captures tell.
#[derive(Clone, Debug)]
pub struct Evidence {
    /// Site, meters, readings and marks of this check.
    pub case: Case,
    /// What the steps looked like.
    pub curves: Vec<Curve>,
    /// The questions asked in its time.
    pub line: LineCount,
    /// The verdict recorded when the check ended; nothing where none was.
    pub recorded: Option<String>,
    /// Where the document recorded differs from what the capture gives now.
    pub differences: Vec<String>,
}

/// What came of the questions.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LineCount {
    /// Asked.
    pub requests: usize,
    /// Answered.
    pub answers: usize,
}

impl Sheet {
    /// The document.
    pub fn doc(&self) -> Doc<'_> {
        Doc(&self.document)
    }

    /// The check in words.
    pub fn title(&self) -> String {
        match self.doc().text("check") {
            "ct" => "CT direction".to_owned(),
            "limit" => "Export limit".to_owned(),
            "review" => "Review of the log".to_owned(),
            other => other.to_owned(),
        }
    }
}

impl Report {
    /// The site's name.
    pub fn site(&self) -> &str {
        self.sheets.first().map_or("", |sheet| sheet.doc().text("site"))
    }

    /// The time zone the site file names, and its name; nothing where no site file is at hand or the name is unknown.
    pub fn zone(&self) -> Option<(Zone, &str)> {
        let name = &self.sheets.iter().find_map(|sheet| sheet.evidence.as_ref())?.case.site.time_zone;
        Some((Zone::named(name)?, name))
    }
}
