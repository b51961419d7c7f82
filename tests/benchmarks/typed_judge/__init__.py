"""Judge of what people type: numbers, times, packs, amounts and answers in several languages' habits, from CLDR, glibc and IEC's designations."""
