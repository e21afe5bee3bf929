function failed = ferry_trials(where, trials)
%FERRY_TRIALS  Markers of some trials of the Ferry study, and a list of what became of each.
%   failed = ferry_trials('/dev/ttyACM0', 3)
%
%   Each trial is an empty sea, a ferry at the left or the right, and an answer. The codes are
%   those of the study's plan (host/examples/ferry/plan.toml).
sea = 9;
ferry = [17, 18];   % left, right
answer = [65, 66];

box = tallymark.Box(where);
done = onCleanup(@() box.close());
markers = {};
for trial = 1:trials
    side = 1 + mod(trial, 2);
    markers{end+1} = box.pulse(sea); %#ok<AGROW>
    pause(0.05);                             % here the sea is shown
    markers{end+1} = box.pulse(ferry(side)); %#ok<AGROW>
    pause(0.05);                             % here the participant thinks
    markers{end+1} = box.pulse(answer(side), 10000); %#ok<AGROW>
    pause(0.02);
    box.collect();                           % a moment of leisure between trials
end
failed = box.wait();
for k = 1:numel(markers)
    fprintf('%3d  code %3d  sent %8.4f s  %-11s at %.0f us\n', markers{k}.number, ...
        markers{k}.code, markers{k}.sent_s, markers{k}.outcome, double(markers{k}.box_time_us));
end
end
