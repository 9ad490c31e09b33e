/* An EFI program that puts a made-up ESRT before the operating system, asks the firmware to look
 * for capsule files at the next start, and then starts \vmlinuz from a disk with its own options.
 * ESRT_BYTES is the table (UEFI 23.4), given when this is compiled. */

#include <efi.h>
#include <efilib.h>

static const UINT8 esrt[] = { ESRT_BYTES };
static EFI_GUID esrt_id = { 0xb122a263, 0x3661, 0x4f68,
                            { 0x99, 0x29, 0x78, 0xf8, 0xb0, 0xd6, 0x21, 0x80 } };
static EFI_GUID global = EFI_GLOBAL_VARIABLE;
static EFI_GUID file_systems = EFI_SIMPLE_FILE_SYSTEM_PROTOCOL_GUID;
static EFI_GUID loaded_image = EFI_LOADED_IMAGE_PROTOCOL_GUID;

#define BS_CALL(function, count, ...) uefi_call_wrapper(BS->function, count, __VA_ARGS__)

static EFI_STATUS install_table(void)
{
    VOID *table;
    EFI_STATUS status = BS_CALL(AllocatePool, 3, EfiRuntimeServicesData, sizeof esrt, &table);
    if (EFI_ERROR(status))
        return status;
    CopyMem(table, (VOID *) esrt, sizeof esrt);
    return BS_CALL(InstallConfigurationTable, 2, &esrt_id, table);
}

static EFI_STATUS ask_for_capsules(void)
{
    UINT64 bits = 4; /* EFI_OS_INDICATIONS_FILE_CAPSULE_DELIVERY_SUPPORTED */
    return uefi_call_wrapper(RT->SetVariable, 5, L"OsIndications", &global,
                             EFI_VARIABLE_NON_VOLATILE | EFI_VARIABLE_BOOTSERVICE_ACCESS |
                                 EFI_VARIABLE_RUNTIME_ACCESS,
                             sizeof bits, &bits);
}

static VOID *read_kernel(UINTN *size)
{
    EFI_HANDLE *disks;
    UINTN count, number;
    VOID *content;

    if (EFI_ERROR(BS_CALL(LocateHandleBuffer, 5, ByProtocol, &file_systems, NULL, &count, &disks)))
        return NULL;
    for (number = 0; number < count; number++) {
        EFI_FILE_HANDLE top = LibOpenRoot(disks[number]), file;
        if (top == NULL || EFI_ERROR(uefi_call_wrapper(top->Open, 5, top, &file, L"\\vmlinuz",
                                                       EFI_FILE_MODE_READ, 0)))
            continue;
        *size = LibFileInfo(file)->FileSize;
        content = AllocatePool(*size);
        if (!EFI_ERROR(uefi_call_wrapper(file->Read, 3, file, size, content)))
            return content;
    }
    return NULL;
}

EFI_STATUS efi_main(EFI_HANDLE self, EFI_SYSTEM_TABLE *system)
{
    EFI_LOADED_IMAGE *own, *kernel;
    EFI_HANDLE image;
    UINTN size = 0;
    VOID *content;

    InitializeLib(self, system);
    if (EFI_ERROR(install_table()) || EFI_ERROR(ask_for_capsules()))
        return EFI_ABORTED;
    content = read_kernel(&size);
    if (content == NULL ||
        EFI_ERROR(BS_CALL(LoadImage, 6, FALSE, self, NULL, content, size, &image)) ||
        EFI_ERROR(BS_CALL(HandleProtocol, 3, self, &loaded_image, (VOID **) &own)) ||
        EFI_ERROR(BS_CALL(HandleProtocol, 3, image, &loaded_image, (VOID **) &kernel)))
        return EFI_ABORTED;
    kernel->LoadOptions = own->LoadOptions;
    kernel->LoadOptionsSize = own->LoadOptionsSize;
    return BS_CALL(StartImage, 3, image, NULL, NULL);
}
