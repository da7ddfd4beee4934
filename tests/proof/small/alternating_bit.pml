/* The alternating bit protocol over channels of one message that lose; the same atomic steps as alternating_bit.py.
   2 is an empty channel. Every process stays in its loop, so that a state is what the variables hold. */
byte sends = 0, waits = 0, frame = 2, payload = 0, acknowledges = 2, item = 0, taken = 0, wrong = 0;

active proctype sender() {
  do
  :: d_step { frame == 2 -> frame = sends; payload = item }
  :: d_step { acknowledges != 2 && acknowledges == sends ->
       acknowledges = 2; sends = 1 - sends; item = (item + 1) % 4 }
  :: d_step { acknowledges != 2 && acknowledges != sends -> acknowledges = 2 }
  od
}

active proctype receiver() {
  do
  :: d_step { frame != 2 && acknowledges == 2 && frame != waits ->
       acknowledges = frame; frame = 2; payload = 0 }
  :: d_step { frame != 2 && acknowledges == 2 && frame == waits ->
       wrong = (payload != taken); acknowledges = frame; frame = 2; payload = 0;
       waits = 1 - waits; taken = (taken + 1) % 4; assert(!wrong) }
  od
}

active proctype channel() {
  do
  :: d_step { frame != 2 -> frame = 2; payload = 0 }
  :: d_step { acknowledges != 2 -> acknowledges = 2 }
  od
}
