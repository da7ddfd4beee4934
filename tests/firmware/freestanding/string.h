/* What the core takes of a C library, for targets that have none here. */
#include <stddef.h>

void *memcpy(void *to, const void *from, size_t size);
void *memmove(void *to, const void *from, size_t size);
void *memset(void *to, int value, size_t size);
