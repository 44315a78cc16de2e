"""Every number that dncd uses without being told, with its unit, range and reason.

A setting of the same name overrides it; `config/dncd.toml` shows each with its default, and a test holds that file
against this module. Facts of the trade name their source: `common practice` where no standard says it.
"""

from typing import Final

# --- the shop folder -------------------------------------------------------------------------------------------
FOLDER: Final = "shop"
STATE: Final = "state"
"""Both beside the settings file, so that a first try needs no rights and leaves nothing elsewhere."""

SETTLE_S: Final = 1.0
"""Seconds (0.05 to 600) that a dropped file must stay unchanged before it is taken. A copy over a network mount may
pause; one second is longer than a local copy pauses and shorter than a walk to the machine."""

RESCAN_S: Final = 2.0
"""Seconds between looks at every folder, whatever the events said: events are hints and may be lost."""

BURST_S: Final = 0.02
"""Seconds from the first event in a folder to the look at it, so that a burst of events costs one look."""

HINT_LAG_S: Final = 0.5
"""Seconds that a new file waits for the event that tells its place in the order of coming. A listing made while files
come may show a later one and miss an earlier one; events come in order, within milliseconds, unless they are lost."""

HINT_LOST_S: Final = 5.0
"""Most seconds that a file without an event keeps those waiting that came after it: so long may a settle_s hold back a
whole folder after events were lost, and no longer."""

LOOK_GAP_S: Final = 0.001
"""Seconds between two looks for each file that lies in a folder, at most a second in all: while thousands of files come
at once, the stations get a few listings of them rather than one for each event."""

HELD_OPEN_S: Final = 60.0
"""Seconds after which a dropped file that another program keeps open for writing is told as a problem. It is not taken:
half a program in a machine is worse than a late one."""

STATUS_EVERY_S: Final = 3.0
"""Seconds between writings of STATUS.txt: well inside the 5 s that are promised."""

FILE_EXTENSION: Final = ".nc"

# --- the control's keys ---------------------------------------------------------------------------------------
READ: Final = "READ"
PUNCH: Final = "PUNCH"
RESET: Final = "RESET"
"""The keys of the tape age (common practice); later controls have INPUT and OUTPUT, or others."""

# --- the line --------------------------------------------------------------------------------------------------
BAUD: Final = 4800
"""Bits a second: 4800 and 7E2 is the usual pair of the ISO tape age (common practice)."""

BAUDS: Final = (
    50, 75, 110, 134, 150, 200, 300, 600, 1200, 1800, 2400, 4800, 7200, 9600, 14400, 19200, 28800, 38400, 57600, 76800,
    115200, 230400,
)  # fmt: skip
"""Rates that termios(3) and common UART dividers know."""

FRAME: Final = "7E2"

AHEAD_CHARS: Final = 8
"""Characters (1 to 4096) that dncd may run in front of the line. A control that says DC3 expects at most about 10
more (common practice for the receiving side; two connection manuals promise 10 for the sending side)."""

TAIL_S: Final = 0.05
"""Seconds after the last character left the line in which a DC3 still counts as a hold of that program: the control's
answer to the last characters comes this late (16 ms of a USB adaptor's latency timer, twice, and a little)."""

HOLD_AFTER_END_S: Final = 2.0
"""Seconds in which a DC1 after such a late DC3 still ends that hold and starts nothing: a memory drains to its low mark
in less, an operator does not press READ again within it (common practice)."""

RATE_OFF: Final = 0.02
"""Largest part by which a port's own rate may differ from the one asked for: dividers are whole numbers, a frame of 11
bits still reads right with 2 % on each side (serial arithmetic), and Linux reports such a rate as the nominal one."""

CONNECT_S: Final = 5.0
"""Seconds for the TCP connection to a device server."""

CONFIRM_S: Final = 5.0
"""Seconds in which a device server must have agreed to RFC 2217 and confirmed every setting; 0.35 s is usual over
loopback."""

KEEPALIVE_S: Final = 10
"""Seconds of quiet after which TCP asks whether the device server still lives; then every third of it, three times."""

UNACKNOWLEDGED_S: Final = 0.25
"""Seconds of the line's characters that may be on their way to a device server unacknowledged, beside `ahead_chars`. TCP
delays an acknowledgement 40 ms (Linux) to 200 ms (common practice; RFC 1122 4.2.3.2 allows less than 500, from memory)."""

LOOKS_FOR_LOOP_S: Final = 0.05
"""Seconds within which CTS follows RTS where a plug loops the two: a wire needs none, a USB adaptor asks its chip about
every 16 ms. RTS is off for no longer than this, once for a cable that has no such loop."""

LOOKS_FOR_LOOP_NET_S: Final = 0.5
"""The same behind a device server, whose notices of the lines travel over a network."""

PORT_READ_BYTES: Final = 65_536
"""Most bytes of one look at a port: more than any driver queue holds."""

# --- sending ---------------------------------------------------------------------------------------------------
DC1_STAYS_S: Final = 60.0
"""Seconds (0 to 86400) for which a DC1 that came before the drop still counts: the operator presses READ, then calls
the office."""

STALL_S: Final = 600.0
"""Seconds (1 to 86400) that a control may hold a sending without drip feed before it ends as interrupted."""

STALE_H: Final = 24.0
"""Hours (0 to 8760, 0 for never) by which the file in front may be older than the newest that waits before the control's
start alone sends none: what was forgotten in the folder yesterday is not what the operator presses his key for today."""

AGAIN: Final = 1
"""Times (1 to 9999) that each dropped program goes out, one for each start."""

MOST_AGAIN: Final = 9_999
"""Pieces of one batch: more is a slip of the pen."""

AFTER_CHAR_S: Final = 0.0
"""Seconds (0 to 10) of quiet line after each character, for a reader without handshake that is slower than the line."""

AFTER_BLOCK_S: Final = 0.0
"""Seconds (0 to 60) of quiet line after each block end, for a control that stores a block before it reads on."""

WAIT_S: Final = 10.0
"""Seconds (0.1 to 3600) in which a control must answer what is said to it before a program (common practice)."""

ECHO_S: Final = 1.0
"""Seconds after the last character of a sending in which the rest of an echo must have come."""

NO_ANSWER_S: Final = 60.0
"""Seconds after which a program that starts by itself is tried again where the control gave no answer: it may be switched
off, or in another mode, and what is said before a program must not be typed into it all the time."""

# --- receiving -------------------------------------------------------------------------------------------------
SILENCE_S: Final = 5.0
"""Seconds (0.1 to 3600) of silence that close an unfinished capture. One control family pauses up to 5 s between the
blocks it punches (a machining centre's manual of 2004)."""

COMPARED_CHARS: Final = 4 * 1024 * 1024
"""Characters above which a program is not compared block by block: no control's memory lets an operator edit one."""

CAPTURE_CHARS: Final = 16_000_000
"""Most characters of one capture: 128 times the largest common tape memory of 320 m (125,984). A control that punches
garbage for ever must not fill the disk."""

HELD_HIGH_CHARS: Final = 65_536
"""Characters that may wait in memory for a slow disk before the control is told to stop: 6 seconds at 115,200 baud."""

HELD_LOW_CHARS: Final = 8_192
"""Characters below which it is told to go on."""

HELD_MOST_CHARS: Final = 1_048_576
"""Characters that a line may hold in memory for a disk that takes none, when the control does not heed the stop (or the line
has no flow): 91 seconds at 115,200 baud, 18 minutes at 9600. What comes after them is counted, not kept, and the capture is
damaged: memory is for all lines, and a program with a gap is worth nothing."""

CAPTURES_WAIT: Final = 100
"""Captures of one line that may wait for a disk that takes none; later ones run together into the last, as damaged."""

MARKS_KEPT: Final = 10_000
"""Characters of one capture whose damage is remembered one by one; a receipt tells of 50, the rest is counted."""

DAMAGED_AN_HOUR: Final = 60
"""Damaged captures (and programs without a name) of one line in an hour that are each kept with file and receipt. An
operator who tries a line punches once a minute at most; a line that does more makes noise, not programs."""

DAMAGED_CHARS_AN_HOUR: Final = 4_000_000
"""Characters in them: above it the next ones are summed up. An hour at 9600 baud is 3.5 million, so a slow line that
punches one long tape after another is never above it."""

DAMAGED_FILES: Final = 5_000
DAMAGED_BYTES: Final = 512 * 1024 * 1024
"""Most that damaged captures of one machine may take up in all, until the office clears `from-machine/damaged/`: a year of
five a day at three files each, or 16 of the longest."""

OVERFLOW_BYTES: Final = 1_048_576
"""Of captures beyond those limits the last one to two of these are kept, in two files: enough to see what the line says."""

DISK_LOW_BYTES: Final = 256 * 1024 * 1024
"""Free room below which a warning is shown: the longest capture, its copies and a month of ledger fit in it many times."""

DISK_LEAST_BYTES: Final = 32 * 1024 * 1024
"""Free room below which damaged captures are summed up, so that a good program still finds its place."""

# --- XMODEM (the reference of 1988, chapters 7 and 8; verified) ----------------------------------------------------
XMODEM_REPLY_S: Final = 10.0
"""Seconds without a block after which a receiver asks again, and without an answer after which EOT is repeated."""

XMODEM_UNASKED_S: Final = 15.0
"""Seconds without an answer after which a sender repeats a packet unasked. The reference advises to leave repeating to
the receiver; a receiver's own 10 s must have passed first, or both would speak at once and fall out of step."""

XMODEM_SETTLE_S: Final = 2.5
"""Seconds of quiet after the answer to a packet that went out twice: a receiver that waits for a quiet second first answers
the second copy within them."""

XMODEM_QUIET_S: Final = 1.0
"""Seconds between two characters after which a block is over, and for which a line must be quiet to be clear."""

XMODEM_TRIES: Final = 10
"""Tries of one block, and requests for the first, before a transfer is given up."""

XMODEM_CRC_WAIT_S: Final = 3.0
"""Seconds that a receiver waits after each C, its wish for CRC."""

XMODEM_CRC_TRIES: Final = 3
"""C said before the receiver falls back to NAK, the wish for a checksum (the reference says a few)."""

XMODEM_START_S: Final = 60.0
"""Seconds that a sender waits for the receiver's first wish."""

XMODEM_HELD_S: Final = 2.0
"""Seconds without an answer to a packet that has left after which the control is said to hold the line: a packet's check and
a block's storing take less (common practice)."""

XMODEM_ECHO_S: Final = 0.5
"""Seconds within which the very character that dncd said on an idle XMODEM line counts as its echo: the slowest line takes
0.2 s for one, an adaptor or device server a little more. Whether it was one, dncd finds out by asking once more."""

XMODEM_DOUBT_S: Final = 1.0
"""Seconds until dncd asks again after what may have been its echo: past any echo, before a control asks again (3 s)."""

XMODEM_REST_S: Final = 3.0
"""Seconds after a transfer before an idle line is asked for the next program: a control shows its end first."""

XMODEM_WISH_S: Final = 2.5
"""Seconds for which a receiver's C or NAK on an idle line may be answered; the next comes after 3 or 10 (reference 7.3)."""

KERMIT_TRIES: Final = 10
"""Tries of one packet before a Kermit transfer is given up (common practice)."""

END_HOLD_S: Final = 10.0
"""Seconds of a stop at a program's end word after which the control is taken to have stopped reading for good: a control
that stores a block before it reads on holds a few seconds, an operator presses READ again later (common practice)."""

READER_OFF_S: Final = 0.25
"""Seconds after a program's end in which the control's reader off (DC3, or its line off) is waited for, for the receipt,
where the control starts each program itself."""

# --- tape and program ------------------------------------------------------------------------------------------
MARK: Final = "%"
LEADER_CHARS: Final = 0
TRAILER_CHARS: Final = 0
LONGEST_LEADER_CHARS: Final = 10_000
"""25 m of blank tape; more is a slip of the pen."""

MEMORY_CHARS: Final = 31_496
"""Characters (1 to 536870912): 80 m of tape at 2.54 mm a character (arithmetic; sold as 32 kB, common practice)."""

LONGEST_BLOCK_CHARS: Final = 80
"""Characters (1 to 100000) of one block, without its block end (common practice of the tape age; NISTIR 6556 3.3
allows 256)."""

# --- the library -----------------------------------------------------------------------------------------------
BRANCH_WAIT_S: Final = 2.0
"""Seconds that a new revision waits for a git that moves the branch: a push holds it for milliseconds."""

LOCK_LEFT_S: Final = 60.0
"""Seconds after which a lock on the branch counts as left by a program that is gone, if no git runs any more."""

LISTEN: Final = "127.0.0.1:8750"
"""Address and port of the shop's page: this computer alone, for on a network it needs TLS and people on record."""

BRANCH: Final = "main"
"""Branch on the server: as in the library. Where several boxes push to one server, each needs its own."""

PUSH_FIRST_S: Final = 10.0
"""Seconds to the next try after a push that failed; each further wait is twice as long."""

PUSH_LONGEST_S: Final = 900.0
"""Longest wait between tries: a server that comes back after a weekend is up to date within a quarter of an hour."""

PUSH_LOOK_S: Final = 30.0
"""Seconds between looks for what is to be pushed besides new revisions (those are told): notes and tags."""

PUSH_S: Final = 3600.0
"""Seconds that one push may take: the first one of a large library over a slow line takes long, one that hangs ends."""

ASK_SERVER_S: Final = 60.0
"""Seconds in which the server must have answered `dncd verify`."""

PACK_LOOSE: Final = 4_000
"""Loose objects from which on the service packs the library when no line is busy: about a thousand revisions. Each costs a
block of the disk and a place in a folder; packed, a revision costs about one kilobyte."""

PACKS_MOST: Final = 20
"""Packs from which on all are made one, so that an object is not looked for in more."""

PACK_S: Final = 3600.0
"""Seconds that packing may take."""

UPKEEP_EVERY_S: Final = 60.0
"""Seconds between looks whether the library should be packed."""

INDEX_ROWS: Final = 64
"""Revisions that may be missing in the index on the disk before they are added: reading so many commits takes a few
milliseconds, adding them one by one would cost a sync each."""

INDEX_SAVE_ROWS: Final = 2_000
"""Revisions that a reader must have read from git before it leaves an index for the next one."""

END_WORDS: Final = "M02 M30 M99"
"""Words that end a program (NISTIR 6556 3.6; M99: a mill's manual)."""

LOWEST_NUMBER: Final = 0
HIGHEST_NUMBER: Final = 99_999_999
"""Program numbers (0 to 99999999): eight digits on the largest controls; a control of the tape age takes 1 to 9999, and
often keeps those from 8000 or 9000 on for its builder (common practice)."""

# --- files and limits ------------------------------------------------------------------------------------------
FILE_BYTES: Final = 512 * 1024 * 1024
"""Largest dropped file that is looked at: four times the largest drip-fed mould program seen (common practice)."""

NAME_CHARS: Final = 120
"""Longest name that dncd writes, so that `(2)`, the extension and `.receipt.txt` stay inside the 255 bytes of a file
name in any encoding."""

QUEUE_FILES: Final = 20_000
"""Most files that wait for one machine; more stay in the folder unread."""

BACKUP_DAYS: Final = 30
"""Days (0 to 3650, 0 for never) after which a backup of a control's memory is due: its battery is changed once a year and
fails without a word (common practice)."""

BACKUP_QUIET_S: Final = 60.0
"""Seconds of quiet after a capture that close an announced backup: an operator who punches program by program picks the
next one within half a minute."""

BACKUP_WAIT_S: Final = 3600.0
"""Seconds that an announced backup waits for its first capture: the walk to the machine, and a cut that must end first."""

REASONS: Final = 50
"""Most findings a receipt lists; the rest is counted."""

REFILL_S: Final = 0.002
"""Seconds of characters that should still be in front of a line when more are handed over (at most half of `ahead_chars`): a
wake-up is seldom later, and each costs the processor some 10 µs. One more for each that came later, up to five eighths."""


PUNCTUAL_REFILLS: Final = 1_000
"""Refills without a late wake-up, some five seconds at 9600 baud, after which one character less is kept in front."""

LOOP_SLACK_S: Final = 0.0004
"""Lines due within this many seconds of each other are served in one round of the loop."""

LOOP_COUNT_S: Final = 0.25
"""Seconds over which the line loop counts how long it had nothing to do."""

LOOP_LOOK_S: Final = 0.0002
"""Seconds after which a round that serves many lines looks again whether something came: a stop must be known before
characters go, and a character takes five times as long at 9600 baud."""


SWITCH_S: Final = 0.00003
"""Interpreter switch interval, seconds: what a busy thread takes from the line loop at each of its system calls (Python's
own 5 ms is five characters at 9600 baud). Beside a 10 MB file under check, 64 lines ran at 97.0 % with 0.5 ms and pieces
of 256 kB, at 99.5 % with this and pieces of 8 kB."""
