/* The core and the serial line. */
#include "yw_site.h"

#include "yw_core.h"
#include "yw_line.h"
