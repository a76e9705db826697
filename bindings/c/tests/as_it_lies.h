#ifndef AS_IT_LIES_H
#define AS_IT_LIES_H

/* Says to valgrind that bytes are meant as they lie there: a session's state has padding, which is saved as it happens to be. */
#if defined __has_include
#if __has_include(<valgrind/memcheck.h>)
#include <valgrind/memcheck.h>
#define MEANT_AS_IT_LIES(bytes, size) ((void)VALGRIND_MAKE_MEM_DEFINED(bytes, size))
#endif
#endif
#ifndef MEANT_AS_IT_LIES
#define MEANT_AS_IT_LIES(bytes, size) ((void)(bytes), (void)(size))
#endif

#endif
