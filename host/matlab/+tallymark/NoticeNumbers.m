classdef NoticeNumbers < handle
%NOTICENUMBERS  Which notices of the box are missing, by their numbers (PROTOCOL.md, 3.1).
    properties (Access = private)
        last = 0        % number of the newest notice
        count = 0       % notices that came or are known to be missing
        unheard = false % the box has started, and its notice of that did not come
        before = NaN    % the box's own count where this one began; NaN until it is known
    end
    methods
        function begin(numbers, last)
            %BEGIN  The box was identified; last is the number of its newest notice.
            numbers.last = last;
            numbers.count = 0;
            numbers.before = NaN;
            numbers.unheard = false;
        end

        function started(numbers, number)
            %STARTED  The box has told that it started: its count begins with this notice.
            numbers.begin(number);
            numbers.before = 1;
        end

        function started_unheard(numbers)
            %STARTED_UNHEARD  The box has started, and its notice of that, number 1, did not come: the
            %   next one with that number is another, whose number has come round.
            numbers.started(1);
            numbers.unheard = true;
        end

        function missing = came(numbers, number)
            %CAME  How many are missing before this notice; -1 if the link has repeated it.
            if number == numbers.last && ~numbers.unheard
                missing = -1;
            else
                missing = mod(number - numbers.last - 1, 255);
                numbers.unheard = false;
                numbers.last = number;
                numbers.count = numbers.count + 1 + missing;
            end
        end

        function missing = compare(numbers, total)
            %COMPARE  The box counts so many since its start. missing: how many more than the
            %   numbers have shown, which go round.
            if isnan(numbers.before)
                numbers.before = total - numbers.count;
            end
            missing = total - numbers.before - numbers.count;
            numbers.count = numbers.count + missing;
            if missing > 0
                numbers.last = mod(numbers.last + missing - 1, 255) + 1;
            end
            missing = max(0, missing);
        end
    end
end
