/* The node itself. It is C, and in a file of its own; the sketch is C++. */
#include "yw_site.h"

#include <yw_core.h>
#include <yw_line.h>
