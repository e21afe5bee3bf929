/* What the headers of Python need to know of a 64-bit platform to compile a module of the limited API. It takes the place of
 * the pyconfig.h of the Python that builds the release, which describes that Python's own computer. */
#pragma once

#define SIZEOF_SHORT 2
#define SIZEOF_INT 4
#define SIZEOF_LONG_LONG 8
#define SIZEOF_SIZE_T 8
#define SIZEOF_TIME_T 8
#define SIZEOF_VOID_P 8
#define HAVE_STDDEF_H 1
#define HAVE_STDINT_H 1
#define HAVE_INTTYPES_H 1
#define WITH_THREAD 1

#ifdef _WIN32
#define MS_WINDOWS
#define MS_WIN64
#define HAVE_DECLSPEC_DLL
#define Py_ENABLE_SHARED
#define SIZEOF_LONG 4
#define SIZEOF_WCHAR_T 2
#else
#define HAVE_UNISTD_H 1
#define HAVE_SSIZE_T 1
#define SIZEOF_LONG 8
#define SIZEOF_WCHAR_T 4
#endif
