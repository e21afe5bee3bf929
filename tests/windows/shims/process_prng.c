/* bcryptprimitives.dll, which Wine 8 lacks. Libraries written in Rust (fastcrc) take random numbers from its ProcessPrng. */
#include <windows.h>

BOOLEAN NTAPI SystemFunction036(void *buffer, ULONG length); /* RtlGenRandom of advapi32 */

__declspec(dllexport) BOOL WINAPI ProcessPrng(unsigned char *data, SIZE_T size)
{
    return size <= 0x7FFFFFFF && SystemFunction036(data, (ULONG)size);
}
