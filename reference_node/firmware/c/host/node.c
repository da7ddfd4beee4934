/* The core, as a board takes it. */
#include "yw_site.h"

#include "yw_core.h"
