/* The core and the serial line, as a board takes them. */
#include "yw_site.h"

#include "yw_core.h"
#include "yw_line.h"
