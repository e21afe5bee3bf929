function fields = settings_fields()
%SETTINGS_FIELDS  Fields of the settings record (PROTOCOL.md, 5), as in LAYOUTS.
fields = {
    'name', 'text'; 'width', 'u32'; 'gap', 'u32'; 'hold_limit', 'u32'; 'byte_baud', 'u32'
    'lines', 'u8'; 'idle', 'u8'; 'overlap', 'u8'; 'byte_mode', 'u8'
    'strobe', 'u8'; 'probes', 'u8'; 'strobe_lead', 'u16'; 'strobe_hold', 'u16'
    'threshold_a', 'u16'; 'hysteresis_a', 'u16'; 'threshold_b', 'u16'; 'hysteresis_b', 'u16'};
end
