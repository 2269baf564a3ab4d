"""The annual meeting: the club's questions answered on one page, with charts for the wall."""

from patchstats.meeting.contents import club_sections, rows_by_season
from patchstats.meeting.page import Section, all_findings, as_html
from patchstats.meeting.write import Meeting, write_meeting

__all__ = ["Meeting", "Section", "all_findings", "as_html", "club_sections", "rows_by_season", "write_meeting"]
