"""Protocol 1.1, as far as a node needs it.

Made from the specification by `python -m conformance.publish.firmware`; do not edit.
"""

MINOR = 1
ROOT = "yw1"
EVERYONE = "all"
DEPTH_MOST = 4
FRAME_MOST = 128
CLIENT_ID_MOST = 8
REPEAT_MS = 2000
STATUS_REPEAT_MS = 10000
BAD_MESSAGE_GAP_MS = 1000
RECONNECT_LEAST_MS = 500
SETTLING_MS = 3000
LINE_BEAT_MS = 1000
LINE_SILENCE_MS = 3000

# Words; a word's position is its integer in CBOR.
NODE_STATUS_STATE = ('on', 'off')
ROLE = ('crane', 'berth', 'shuttle', 'supervisor')
NODE_STATUS_READS = ('json', 'cbor', 'both')
NODE_STATUS_RESET = ('power-on', 'watchdog', 'brown-out', 'software', 'external', 'unknown')
FAULT_CODE = ('bad-message', 'load-unsure', 'boot-lost', 'memory-low', 'home-missed', 'axis-stuck', 'pick-missed', 'drop-failed', 'power-lost', 'not-armed', 'end-missed', 'train-stuck', 'stop-missed', 'input-lost')
LEVEL = ('warn', 'halt')
JOB_STATE = ('accepted', 'running', 'done', 'failed', 'cancelled', 'refused')
ACT = ('ask', 'claim', 'hold', 'resume', 'cancel', 'reset-fault', 'transfer', 'home', 'park', 'jog', 'admit', 'depart', 'run', 'stimulus', 'set-uptime')
STEP = ('homing', 'travel-to-pick', 'lower-to-pick', 'grip', 'lift', 'travel-to-drop', 'lower-to-drop', 'release', 'clear', 'travel', 'approach', 'arming-passed', 'coasting', 'leaving')
REASON = ('wrong-boot', 'stale', 'late', 'busy', 'held', 'mode', 'load', 'place', 'reach', 'outside-table', 'state', 'not-bench', 'holds-count', 'fault-count', 'too-late', 'fault', 'unsupported', 'nothing-found')
LOAD = ('none', 'box', 'unsure')
CRANE_STATUS_MODE = ('unhomed', 'homing', 'ready', 'working', 'faulted', 'manual')
CRANE_STATUS_SPREADER = ('open', 'closed', 'moving', 'unsure')
TRAIN_ARRIVAL_STATE = ('empty', 'admitting', 'armed', 'at-rest', 'leaving', 'lost')
SHUTTLE_STATUS_STATE = ('moving', 'at-place', 'lost')
RESET_FAULT_FOUND = ('none', 'box')
SENSOR = ('arming', 'end', 'home-x', 'home-y', 'home-z', 'load', 'motor-power', 'stop-1', 'stop-2', 'stop-3', 'stop-4')

# What a node says: name, CBOR key and words of each field, in the order of the keys.
SAID = {
    "node-status": (("boot", 0, None), ("seq", 1, None), ("uptime", 2, None), ("mark", 3, None), ("starts", 8, None), ("state", 9, NODE_STATUS_STATE), ("link", 10, None), ("roles", 11, ROLE), ("firmware", 12, None), ("minor", 13, None), ("reads", 14, NODE_STATUS_READS), ("reset", 15, NODE_STATUS_RESET), ("bench", 16, None), ("digest", 17, None), ("buffer", 18, None), ("memory", 19, None)),
    "fault": (("boot", 0, None), ("seq", 1, None), ("uptime", 2, None), ("job", 4, None), ("active", 9, FAULT_CODE), ("changed", 10, FAULT_CODE), ("level", 11, LEVEL), ("part", 12, None), ("faults", 13, None)),
    "job-report": (("boot", 0, None), ("seq", 1, None), ("uptime", 2, None), ("mark", 3, None), ("id", 4, None), ("state", 5, JOB_STATE), ("order_boot", 6, None), ("token", 7, None), ("act", 9, ACT), ("step", 10, STEP), ("reason", 11, REASON), ("box", 12, None), ("load", 13, LOAD), ("claimant", 14, None)),
    "crane-status": (("boot", 0, None), ("seq", 1, None), ("uptime", 2, None), ("mark", 3, None), ("job", 4, None), ("job_state", 5, JOB_STATE), ("held", 6, None), ("holds", 7, None), ("inputs", 8, None), ("mode", 9, CRANE_STATUS_MODE), ("axes", 10, None), ("spreader", 11, CRANE_STATUS_SPREADER), ("load", 12, LOAD)),
    "train-arrival": (("boot", 0, None), ("seq", 1, None), ("uptime", 2, None), ("mark", 3, None), ("job", 4, None), ("job_state", 5, JOB_STATE), ("held", 6, None), ("holds", 7, None), ("inputs", 8, None), ("state", 9, TRAIN_ARRIVAL_STATE), ("arrival", 10, None), ("reading", 11, None), ("ignored", 12, None), ("arm_to_end", 13, None), ("train", 14, None)),
    "shuttle-status": (("boot", 0, None), ("seq", 1, None), ("uptime", 2, None), ("mark", 3, None), ("job", 4, None), ("job_state", 5, JOB_STATE), ("held", 6, None), ("holds", 7, None), ("inputs", 8, None), ("state", 9, SHUTTLE_STATUS_STATE), ("place", 10, None), ("stop", 11, None), ("load", 12, LOAD)),
}

# The state message of each role.
STATE_OF_ROLE = {
    "crane": "crane-status",
    "berth": "train-arrival",
    "shuttle": "shuttle-status",
}

# The fields of an order by CBOR key: name, kind, and limits, words or length.
ORDER_FIELDS = (
    ("boot", "number", (0, 65535)),
    ("id", "number", (1, 4294967295)),
    ("act", "word", ACT),
    ("deadline", "number", (0, 4294967295)),
    ("from", "label", 8),
    ("from_slot", "number", (0, 255)),
    ("to", "label", 8),
    ("to_slot", "number", (0, 255)),
    ("box", "label", 12),
    ("reading", "number", (-32768, 32767)),
    ("arrival", "number", (0, 65535)),
    ("berth_boot", "number", (0, 65535)),
    ("stop", "number", (0, 65535)),
    ("shuttle_boot", "number", (0, 65535)),
    ("target", "target", (-32768, 32767, 3)),
    ("ref", "number", (1, 4294967295)),
    ("token", "number", (0, 4294967295)),
    ("faults", "number", (0, 65535)),
    ("found", "word", RESET_FAULT_FOUND),
    ("place", "label", 8),
    ("inputs", "inputs", (SENSOR, 10)),
    ("holds", "number", (0, 65535)),
    ("uptime", "number", (0, 4294967295)),
    ("train", "label", 8),
)

# By act: the keys that it needs, and those that it takes, a bit each.
ORDER_ACTS = {
    "ask": (0x010004, 0x010004),
    "claim": (0x000007, 0x010007),
    "hold": (0x000004, 0x010004),
    "resume": (0x200007, 0x200007),
    "cancel": (0x008007, 0x008007),
    "reset-fault": (0x020007, 0x0E0007),
    "transfer": (0x0001CF, 0x003FFF),
    "home": (0x00000F, 0x00000F),
    "park": (0x00000F, 0x00000F),
    "jog": (0x00400F, 0x00400F),
    "admit": (0x00000F, 0x80000F),
    "depart": (0x00000F, 0x00000F),
    "run": (0x00004F, 0x00004F),
    "stimulus": (0x100007, 0x100007),
    "set-uptime": (0x400007, 0x400007),
}

# Keys that come all or not at all.
TOGETHER = (
    0x000E00,
    0x000030,
    0x003000,
)

# The acts that are jobs.
JOBS = (
    "transfer",
    "home",
    "park",
    "jog",
    "admit",
    "depart",
    "run",
)

# The acts that a role takes.
ACTS_OF = {
    "crane": ('ask', 'claim', 'hold', 'resume', 'cancel', 'reset-fault', 'transfer', 'home', 'park', 'jog', 'stimulus', 'set-uptime'),
    "berth": ('ask', 'claim', 'hold', 'resume', 'cancel', 'reset-fault', 'admit', 'depart', 'stimulus', 'set-uptime'),
    "shuttle": ('ask', 'claim', 'hold', 'resume', 'cancel', 'reset-fault', 'run', 'stimulus', 'set-uptime'),
}

# The state that each role starts in.
INITIAL = {
    "crane": "unhomed",
    "berth": "lost",
    "shuttle": "lost",
}

# Transitions: state, event, guard, next state.
ROWS = {
    "crane": (
        ('unhomed', 'home', '', 'homing'),
        ('ready', 'home', '', 'homing'),
        ('homing', 'finish', '', 'ready'),
        ('homing', 'cancel', '', 'unhomed'),
        ('ready', 'transfer', '', 'working'),
        ('ready', 'park', '', 'working'),
        ('ready', 'jog', '', 'working'),
        ('working', 'finish', '', 'ready'),
        ('working', 'cancel', '', 'ready'),
        ('unhomed', 'halt', '', 'faulted'),
        ('homing', 'halt', '', 'faulted'),
        ('ready', 'halt', '', 'faulted'),
        ('working', 'halt', '', 'faulted'),
        ('manual', 'halt', '', 'faulted'),
        ('faulted', 'halt', '', 'faulted'),
        ('faulted', 'reset-fault', 'every_axis_homed', 'ready'),
        ('faulted', 'reset-fault', 'an_axis_unhomed', 'unhomed'),
        ('unhomed', 'by-hand', '', 'manual'),
        ('ready', 'by-hand', '', 'manual'),
        ('faulted', 'by-hand', '', 'manual'),
        ('manual', 'by-hand-end', '', 'unhomed'),
    ),
    "berth": (
        ('empty', 'admit', '', 'admitting'),
        ('admitting', 'end', '', 'admitting'),
        ('admitting', 'arming', '', 'armed'),
        ('armed', 'rest', '', 'at-rest'),
        ('at-rest', 'depart', '', 'leaving'),
        ('leaving', 'gone', '', 'empty'),
        ('admitting', 'halt', '', 'lost'),
        ('armed', 'halt', '', 'lost'),
        ('leaving', 'halt', '', 'lost'),
        ('at-rest', 'halt', '', 'lost'),
        ('empty', 'halt', '', 'lost'),
        ('lost', 'halt', '', 'lost'),
        ('lost', 'reset-fault', 'track_found_empty', 'empty'),
        ('lost', 'reset-fault', 'nothing_said', 'lost'),
    ),
    "shuttle": (
        ('at-place', 'run', '', 'moving'),
        ('moving', 'stop', 'stop_is_target', 'at-place'),
        ('moving', 'stop', 'stop_is_other', 'moving'),
        ('moving', 'halt', '', 'lost'),
        ('at-place', 'halt', '', 'lost'),
        ('lost', 'halt', '', 'lost'),
        ('lost', 'reset-fault', 'place_found', 'at-place'),
        ('lost', 'reset-fault', 'nothing_said', 'lost'),
    ),
}

FAULTS = FAULT_CODE

# How bad each fault is.
FAULT_LEVELS = {
    "bad-message": "warn",
    "load-unsure": "warn",
    "boot-lost": "warn",
    "memory-low": "warn",
    "home-missed": "halt",
    "axis-stuck": "halt",
    "pick-missed": "halt",
    "drop-failed": "halt",
    "power-lost": "halt",
    "not-armed": "halt",
    "end-missed": "halt",
    "train-stuck": "halt",
    "stop-missed": "halt",
    "input-lost": "halt",
}

# Serial line: kinds of frame.
LINE_KINDS = {
    "here": 1,
    "node-status": 2,
    "train-arrival": 3,
    "shuttle-status": 4,
    "crane-status": 5,
    "fault": 6,
    "job-report": 7,
    "bus": 129,
    "job-order": 130,
    "job-order-to-all": 131,
}

# CBOR keys of 'here' and 'bus'.
LINE_KEYS = {
    "boot": 0,
    "state": 9,
    "link": 10,
    "site": 20,
    "node": 21,
}

LINE_STATE = ('on', 'off', 'new')
