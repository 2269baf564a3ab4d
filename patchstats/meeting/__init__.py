"""The annual meeting: the club's questions answered on one page, with charts for the wall."""

from patchstats.meeting.contents import club_sections
from patchstats.meeting.page import Section, as_html
from patchstats.meeting.write import Meeting, write_meeting

__all__ = ["Meeting", "Section", "as_html", "club_sections", "write_meeting"]
