"""Every environment variable that linecall reads; `linecall settings` prints the table."""

from collections.abc import Mapping

SETTINGS_VARIABLE = "LINECALL_SETTINGS"
LOGBOOK_VARIABLE = "LINECALL_LOGBOOK"
LIBRARY_VARIABLE = "LINECALL_LIBRARY"
OPERATOR_VARIABLE = "LINECALL_OPERATOR"
SITE_VARIABLE = "LINECALL_SITE"
DEBUG_VARIABLE = "LINECALL_DEBUG"
VARIABLES: Mapping[str, str] = {
    SETTINGS_VARIABLE: "The site's file of defaults, linecall.toml.",
    LOGBOOK_VARIABLE: "The logbook: a file, or a postgresql:// URL.",
    "LINECALL_PHOTOS": "Where the logbook's photos lie.",
    SITE_VARIABLE: "The file that describes the site.",
    LIBRARY_VARIABLE: "The library's folder.",
    OPERATOR_VARIABLE: "Who reads; also who photographs a control strip.",
    "LINECALL_ZONE": "The zone of a camera that writes no offset.",
    "LINECALL_POLICY": "Who may decide on a doubtful mark: a name or a file.",
    DEBUG_VARIABLE: "1 prints the traceback of an internal error.",
    "NO_COLOR": "Anything: no colour (no-color.org).",
    "COLUMNS": "How wide the terminal is, in characters.",
    "_LINECALL_COMPLETE": "bash_source, zsh_source or fish_source prints the shell's tab completion.",
}
"""Every environment variable that linecall reads, and what it says."""
