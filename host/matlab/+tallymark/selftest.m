function summary = selftest(box)
%SELFTEST  Drives every code of the lines in use through the loopback; see tallymark.Box.selftest.
state = box.sequence_state();
if any(strcmp(state.state, {'playing', 'waiting'}))
    error('tallymark:refused', ['A sequence plays, so the self-test did not begin. Wait for its ' ...
        'end, or stop it with sequence_stop.']);
end
settings = box.settings();
if settings.strobe
    error('tallymark:refused', ['The settings have a strobe, whose line (%d) no code can drive, so ' ...
        'it can''t be tested here. The self-test moved no line. Run ''tallymark selftest'', which ' ...
        'tests all lines.'], log2(double(settings.strobe)));
end
codes = 0:255;  % code 0 comes first: set(0) ends whatever is out or waits
codes = codes(bitand(codes, 255 - settings.lines) == 0);
idle = onCleanup(@() go_idle(box));  % whatever happens, an interrupt from the keyboard included
driven = zeros(1, numel(codes));
seen = zeros(1, numel(codes));
for k = 1:numel(codes)
    marker = box.wait(box.set(codes(k)));
    if ~strcmp(marker.outcome, 'done')
        error(['tallymark:', marker.outcome], ['The self-test stopped, because a code was not ' ...
            'put out. %s'], marker.text);
    end
    pause(0.002);  % long wires need some time; what takes longer would harm markers
    levels = box.levels();
    driven(k) = levels.outputs;
    seen(k) = levels.readback;
end
clear idle
summary = tallymark.verdict(driven, seen, settings.lines);
end

function go_idle(box)
try
    marker = box.wait(box.set(0));
    idle = strcmp(marker.outcome, 'done');
    why = marker.text;
catch problem
    idle = false;
    why = problem.message;
end
if ~idle
    warning('tallymark:notidle', ['After the self-test the lines could not be taken to idle: ' ...
        'a code may still be on them. Unplug the box from the amplifier until that is repaired. ' ...
        '%s'], why);
end
end
