// A mains adapter and a battery. Whether the adapter delivers is bit 0 of the scratch register of
// the second serial port, which the machine's monitor can write while the guest runs.
DefinitionBlock ("", "SSDT", 2, "TESTED", "BATTERY", 1)
{
    Scope (\_SB)
    {
        OperationRegion (HOST, SystemIO, 0x2FF, 1)
        Field (HOST, ByteAcc, NoLock, Preserve)
        {
            PLUG, 8
        }

        Device (ADP1)
        {
            Name (_HID, "ACPI0003")
            Name (_PCL, Package () { \_SB })
            Method (_PSR)
            {
                Return (PLUG & 1)
            }
        }

        Device (BAT0)
        {
            Name (_HID, EisaId ("PNP0C0A"))
            Name (_UID, 1)
            Name (_PCL, Package () { \_SB })
            Method (_STA)
            {
                Return (0x1F)
            }
            // in mWh: design, last full charge; ACPI 6.4 §10.2.2.1
            Method (_BIF)
            {
                Return (Package () { 0, 50000, 45500, 1, 11400, 4550, 1000, 10, 10,
                                     "CW-50", "7", "LION", "Cellwright" })
            }
            // state (1 discharging, 2 charging), mW, mWh, mV; ACPI 6.4 §10.2.2.6
            Method (_BST)
            {
                If (PLUG & 1)
                {
                    Return (Package () { 2, 12000, 28210, 11400 })
                }
                Return (Package () { 1, 9100, 28210, 11400 })
            }
        }
    }
}
