"""OWASP Application Security Verification Standard 4.0.3, level 1, for the bench page.

Numbers and what they ask are from memory, in our words: nobody here has read the standard beside it. Numbers that 4.0.3
took out (4.1.4, 13.1.2, 14.3.1) are left out. ``by``: the test that asks the page, ``FILE::NAME`` or a name in
``tests/logger/page/test_server_asvs.py``; or ``does not apply: why``; or ``not met: why``, where we fall short knowingly.
"""

from typing import Final, NamedTuple


class Asked(NamedTuple):
    number: str
    asks: str
    by: str


_NO_PASSWORD: Final = (
    "does not apply: there are no accounts and no passwords; keys are drawn at every start"
)
_NO_RECOVERY: Final = "does not apply: nothing is recovered; the terminal shows the keys"
_NO_MESSAGE: Final = (
    "does not apply: no mail, no text message; keys are read from the terminal's screen"
)
_NO_UPLOAD: Final = "does not apply: no file can be sent to the page"
_NO_QUERY: Final = "does not apply: no database, no directory service, no XML in the page"
_PLAIN: Final = "not met: the page has no certificate that a phone would accept; said on the terminal, --lan only on request"
_BROWSER: Final = "tests/logger/page/test_browser.py"
_SERVER: Final = "tests/logger/page/test_server.py"
_KEYS: Final = "tests/logger/page/test_keys.py"

LEVEL_1: Final = tuple(Asked(*line) for line in (
    ("2.1.1", "passwords of twelve signs at least", _NO_PASSWORD),
    ("2.1.2", "passwords of 64 signs are allowed, of more than 128 are not", _NO_PASSWORD),
    ("2.1.3", "passwords are not cut off", _NO_PASSWORD),
    ("2.1.4", "any sign may stand in a password", _NO_PASSWORD),
    ("2.1.5", "passwords can be changed", _NO_PASSWORD),
    ("2.1.6", "changing asks for the old one", _NO_PASSWORD),
    ("2.1.7", "passwords known to be stolen are refused", _NO_PASSWORD),
    ("2.1.8", "a meter shows how strong a password is", _NO_PASSWORD),
    ("2.1.9", "no rules on which signs", _NO_PASSWORD),
    ("2.1.10", "no forced change from time to time", _NO_PASSWORD),
    ("2.1.11", "a secret can be pasted", f"{_BROWSER}::test_no_accessibility_violation_and_nothing_runs_over_the_edge"),
    ("2.1.12", "what is typed as a secret can be seen", "test_the_key_can_be_seen_while_it_is_typed"),
    ("2.2.1", "guessing by a program is slowed down", "test_guessing_is_slowed_down"),
    ("2.2.2", "weak ways in only beside a strong one", _NO_MESSAGE),
    ("2.2.3", "somebody is told when a way in is used or changed", f"{_KEYS}::test_the_act_key_opens_one_browser_the_look_key_any_number"),
    ("2.3.1", "codes drawn by the system are random, long enough, and end", f"{_KEYS}::test_the_act_key_opens_one_browser_the_look_key_any_number"),
    ("2.5.1", "a secret for recovery is not sent in the clear", _NO_RECOVERY),
    ("2.5.2", "no hints, no secret questions", _NO_RECOVERY),
    ("2.5.3", "recovery does not tell the present secret", _NO_RECOVERY),
    ("2.5.4", "no shared or preset accounts", f"{_KEYS}::test_a_page_that_takes_over_knows_the_same_browsers_keys_and_forms"),
    ("2.5.5", "a changed way in is told to its owner", f"{_KEYS}::test_the_act_key_opens_one_browser_the_look_key_any_number"),
    ("2.5.6", "recovery by a safe way", _NO_RECOVERY),
    ("2.7.1", "no codes by text message as the usual way", _NO_MESSAGE),
    ("2.7.2", "codes sent another way end after ten minutes", _NO_MESSAGE),
    ("2.7.3", "such codes work once, for what was asked", _NO_MESSAGE),
    ("2.7.4", "the other way is a safe one", _NO_MESSAGE),
    ("2.8.1", "codes that go by the time have a set life", "does not apply: no such codes"),
    ("3.1.1", "no session in an address", "test_no_session_in_any_address_or_answer"),
    ("3.2.1", "a new session whenever somebody comes in", "test_each_entry_gets_a_session_of_its_own"),
    ("3.2.2", "sessions of 64 random bits at least", "test_each_entry_gets_a_session_of_its_own"),
    ("3.2.3", "the browser keeps them in a safe way", "test_the_cookie"),
    ("3.3.1", "leaving and time end a session, also for the back button", "test_leaving_ends_the_session"),
    ("3.3.2", "coming in again is asked for after 30 days at most", f"{_KEYS}::test_acting_ends_after_a_day_looking_after_a_week"),
    ("3.4.1", "cookies are Secure", _PLAIN),
    ("3.4.2", "cookies are HttpOnly", "test_the_cookie"),
    ("3.4.3", "cookies are SameSite", "test_the_cookie"),
    ("3.4.4", "cookies are named __Host-", _PLAIN),
    ("3.4.5", "an application beside others on one name keeps to its path", "test_two_pages_on_one_computer_share_no_cookie"),
    ("3.7.1", "a whole session, or asking again, before what matters", f"{_SERVER}::test_actions"),
    ("4.1.1", "rights are looked after by the server", "test_who_may_look_cannot_act_whatever_is_sent"),
    ("4.1.2", "nobody can change his own rights", "test_who_may_look_cannot_act_whatever_is_sent"),
    ("4.1.3", "everybody gets the least that is needed", "test_who_may_look_cannot_act_whatever_is_sent"),
    ("4.1.5", "what fails, fails closed", "test_a_fault_inside_tells_nothing_and_lets_nobody_in"),
    ("4.2.1", "no other record by its number", "test_only_runs_of_this_page_by_their_keys"),
    ("4.2.2", "other sites cannot act in somebody's name", "test_no_form_is_taken_without_its_token"),
    ("4.3.1", "more than one factor for administration", "does not apply: nothing is administered by the page"),
    ("4.3.2", "no listing of folders, no metadata", "test_no_folder_is_listed"),
    ("5.1.1", "a parameter given twice is no way around a check", "test_a_parameter_given_twice_is_refused"),
    ("5.1.2", "fields that nobody asked for change nothing", "test_fields_that_nobody_asked_for_change_nothing"),
    ("5.1.3", "all input is checked by what is allowed", f"{_SERVER}::test_actions"),
    ("5.1.4", "structured data has types and bounds", f"{_SERVER}::test_actions"),
    ("5.1.5", "leads to known addresses only", "test_no_answer_leads_elsewhere"),
    ("5.2.1", "markup from an editor is cleaned", "does not apply: there is no such editor"),
    ("5.2.2", "free text has bounds on signs and length", f"{_SERVER}::test_actions"),
    ("5.2.3", "nothing gets into mail", _NO_MESSAGE),
    ("5.2.4", "no text is run as a program", f"{_SERVER}::test_no_script_of_the_page_builds_markup_from_text"),
    ("5.2.5", "no text gets into a template", f"{_BROWSER}::test_hostile_names_and_notes_run_no_script"),
    ("5.2.6", "nobody makes the server ask other servers", "test_no_answer_leads_elsewhere"),
    ("5.2.7", "no script in pictures of users", _NO_UPLOAD),
    ("5.2.8", "no script in users' markdown or styles", f"{_BROWSER}::test_hostile_names_and_notes_run_no_script"),
    ("5.3.1", "text is written out as its place needs", f"{_BROWSER}::test_hostile_names_and_notes_run_no_script"),
    ("5.3.2", "any sign arrives as it was", "test_any_sign_arrives_as_it_was"),
    ("5.3.3", "no foreign script by text", f"{_BROWSER}::test_hostile_names_and_notes_run_no_script"),
    ("5.3.4", "queries with parameters", _NO_QUERY),
    ("5.3.5", "or with escapes", _NO_QUERY),
    ("5.3.6", "no JSON read as a program", f"{_SERVER}::test_no_script_of_the_page_builds_markup_from_text"),
    ("5.3.7", "no injection into a directory service", _NO_QUERY),
    ("5.3.8", "no injection into a command line", "does not apply: no request starts a program"),
    ("5.3.9", "no file by a request", f"{_SERVER}::test_no_path_reaches_the_file_system"),
    ("5.3.10", "no injection into XML", _NO_QUERY),
    ("5.5.1", "serialized objects are sealed", "does not apply: JSON of plain values only"),
    ("5.5.2", "XML readers are shut", _NO_QUERY),
    ("5.5.3", "nothing foreign is unpacked into objects", f"{_SERVER}::test_actions"),
    ("5.5.4", "browsers read JSON as JSON", f"{_SERVER}::test_no_script_of_the_page_builds_markup_from_text"),
    ("6.2.1", "cryptography fails closed", f"{_KEYS}::test_what_is_no_key_opens_nothing"),
    ("7.1.1", "no secrets in logs", "test_nothing_is_logged"),
    ("7.1.2", "no private data in logs", "test_nothing_is_logged"),
    ("7.4.1", "a fault is told without its inside", "test_a_fault_inside_tells_nothing_and_lets_nobody_in"),
    ("8.2.1", "nothing is kept by caches", f"{_SERVER}::test_every_answer_carries_the_guarding_headers"),
    ("8.2.2", "nothing private in the browser's stores", f"{_BROWSER}::test_every_screen_without_a_complaint_and_nothing_kept"),
    ("8.2.3", "private data is gone from the browser after the session", f"{_BROWSER}::test_every_screen_without_a_complaint_and_nothing_kept"),
    ("8.3.1", "nothing private in an address", "test_no_session_in_any_address_or_answer"),
    ("8.3.2", "users can take or delete their data", "does not apply: the runs are files of the user's own"),
    ("8.3.3", "users are told what is done with their data", "does not apply: nothing is gathered; README says who sees what"),
    ("8.3.4", "private data is known and looked after", "does not apply: runs and notes only; README says who sees them"),
    ("9.1.1", "TLS everywhere", _PLAIN),
    ("9.1.2", "strong ciphers only", _PLAIN),
    ("9.1.3", "no old TLS", _PLAIN),
    ("10.3.1", "updates by a safe way, signed", "does not apply: it does not update itself"),
    ("10.3.2", "no code from elsewhere", f"{_BROWSER}::test_every_screen_without_a_complaint_and_nothing_kept"),
    ("10.3.3", "no names that somebody can take over", "does not apply: the page has no name of its own"),
    ("11.1.1", "steps in their order only", f"{_SERVER}::test_actions"),
    ("11.1.2", "steps at a person's pace", "test_no_more_actions_than_a_person_does"),
    ("11.1.3", "bounds on what one user may do", "test_no_more_actions_than_a_person_does"),
    ("11.1.4", "no flood by a program", "test_no_more_actions_than_a_person_does"),
    ("11.1.5", "bounds against the dangers at hand", "test_who_may_look_cannot_act_whatever_is_sent"),
    ("12.1.1", "no large files", "test_large_and_slow_bodies_are_refused"),
    ("12.3.1", "no paths by file names of users", f"{_SERVER}::test_no_path_reaches_the_file_system"),
    ("12.3.2", "no file is read by its name", f"{_SERVER}::test_no_path_reaches_the_file_system"),
    ("12.3.3", "no far file by its name", "test_no_answer_leads_elsewhere"),
    ("12.3.4", "an answer is no download under a foreign name", "test_answers_for_programs_are_no_pages"),
    ("12.3.5", "no file name in a command", _NO_UPLOAD),
    ("12.4.1", "foreign files outside the page's folder", _NO_UPLOAD),
    ("12.4.2", "foreign files are searched for viruses", _NO_UPLOAD),
    ("12.5.1", "only known kinds of files are served", "test_no_folder_is_listed"),
    ("12.5.2", "foreign files are never run", _NO_UPLOAD),
    ("12.6.1", "the server asks known servers only", "test_no_answer_leads_elsewhere"),
    ("13.1.1", "one reading of a request everywhere", f"{_SERVER}::test_no_path_reaches_the_file_system"),
    ("13.1.3", "no secrets in the addresses of an interface", "test_no_session_in_any_address_or_answer"),
    ("13.2.1", "methods by right", f"{_SERVER}::test_other_methods_are_refused"),
    ("13.2.2", "JSON is checked before it is used", f"{_SERVER}::test_actions"),
    ("13.2.3", "interfaces with cookies are kept from other sites", f"{_SERVER}::test_cross_site_requests_are_refused"),
    ("13.3.1", "XML is checked by its schema", _NO_QUERY),
    ("14.2.1", "libraries are up to date", "does not apply: tests run with the newest versions; a matter of the installation"),
    ("14.2.2", "nothing that is not needed", "test_no_folder_is_listed"),
    ("14.2.3", "foreign scripts with their check sums", f"{_BROWSER}::test_every_screen_without_a_complaint_and_nothing_kept"),
    ("14.3.2", "no debugging", "test_a_fault_inside_tells_nothing_and_lets_nobody_in"),
    ("14.3.3", "no versions in headers", f"{_SERVER}::test_every_answer_carries_the_guarding_headers"),
    ("14.4.1", "each answer says its kind and its signs", "test_each_answer_says_its_kind"),
    ("14.4.2", "answers for programs are attachments", "test_answers_for_programs_are_no_pages"),
    ("14.4.3", "a content policy", f"{_BROWSER}::test_every_screen_without_a_complaint_and_nothing_kept"),
    ("14.4.4", "nosniff", f"{_SERVER}::test_every_answer_carries_the_guarding_headers"),
    ("14.4.5", "strict transport security", _PLAIN),
    ("14.4.6", "a referrer policy", f"{_SERVER}::test_every_answer_carries_the_guarding_headers"),
    ("14.4.7", "no frame of another site's", f"{_BROWSER}::test_another_site_cannot_act_nor_frame_nor_read"),
    ("14.5.1", "methods in use only", f"{_SERVER}::test_other_methods_are_refused"),
    ("14.5.2", "the Origin alone lets nobody in", "test_the_origin_alone_lets_nobody_in"),
    ("14.5.3", "no other site may read", f"{_BROWSER}::test_another_site_cannot_act_nor_frame_nor_read"),
))  # fmt: skip
