/* An EFI program that puts a made-up ESRT before the operating system, asks the firmware to look
 * for capsule files at the next start, and then starts \vmlinuz from the same disk.
 * ESRT_BYTES is the table (UEFI 23.4) and OPTIONS are the kernel's, given when this is compiled. */

#include <efi.h>
#include <efilib.h>

static const UINT8 esrt[] = { ESRT_BYTES };
static EFI_GUID esrt_id = { 0xb122a263, 0x3661, 0x4f68,
                            { 0x99, 0x29, 0x78, 0xf8, 0xb0, 0xd6, 0x21, 0x80 } };
static EFI_GUID global = EFI_GLOBAL_VARIABLE;
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

EFI_STATUS efi_main(EFI_HANDLE self, EFI_SYSTEM_TABLE *system)
{
    static CHAR16 options[] = OPTIONS;
    EFI_LOADED_IMAGE *own, *kernel;
    EFI_DEVICE_PATH *path;
    EFI_HANDLE image;

    InitializeLib(self, system);
    if (EFI_ERROR(install_table()) || EFI_ERROR(ask_for_capsules()) ||
        EFI_ERROR(BS_CALL(HandleProtocol, 3, self, &loaded_image, (VOID **) &own)))
        return EFI_ABORTED;
    path = FileDevicePath(own->DeviceHandle, L"\\vmlinuz");
    if (EFI_ERROR(BS_CALL(LoadImage, 6, FALSE, self, path, NULL, 0, &image)) ||
        EFI_ERROR(BS_CALL(HandleProtocol, 3, image, &loaded_image, (VOID **) &kernel)))
        return EFI_ABORTED;
    kernel->LoadOptions = options;
    kernel->LoadOptionsSize = sizeof options;
    return BS_CALL(StartImage, 3, image, NULL, NULL);
}
