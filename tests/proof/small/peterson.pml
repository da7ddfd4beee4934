/* Mutual exclusion of two processes; the same atomic steps as peterson.py. at: 0 idle, 1 wants, 2 gave way, 3 inside. */
byte at[2], flag[2], turn = 0;

active [2] proctype process() {
  do
  :: d_step { at[_pid] == 0 -> at[_pid] = 1; flag[_pid] = 1 }
  :: d_step { at[_pid] == 1 -> at[_pid] = 2; turn = 1 - _pid }
  :: d_step { at[_pid] == 2 && (!flag[1 - _pid] || turn == _pid) ->
       at[_pid] = 3; assert(at[1 - _pid] != 3) }
  :: d_step { at[_pid] == 3 -> at[_pid] = 0; flag[_pid] = 0 }
  od
}
