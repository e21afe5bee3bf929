classdef AcceptedMarkers < handle
%ACCEPTEDMARKERS  Markers that the box has accepted for a later time, by their numbers in the box
%   (PROTOCOL.md, 3.4). They hold neither window nor tag.
    properties (SetAccess = private)
        count = 0
    end
    properties (Access = private)
        numbers = zeros(1, 0)
        markers = {}
        since = zeros(1, 0, 'uint64')   % box time that was known when it was sent
        due_s = zeros(1, 0)             % when its end is overdue; 0: it has to be asked for
        tries = zeros(1, 0)             % how often it was asked for in vain
        newest = 0                      % number of the one that was accepted last; 0: none was
    end
    methods
        function twin = accept(accepted, marker, number, since, due_s)
            %ACCEPT  twin: the marker that had this number, if numbers began anew; otherwise empty.
            twin = accepted.take(number);
            if ~isempty(twin)
                accepted.newest = 0;
            end
            accepted.newest = max(accepted.newest, number);
            marker.accept(number);
            accepted.numbers(end+1) = number;
            accepted.markers{end+1} = marker;
            accepted.since(end+1) = since;
            accepted.due_s(end+1) = due_s;
            accepted.tries(end+1) = 0;
            accepted.count = accepted.count + 1;
        end

        function [marker, since] = lookup(accepted, number)
            %LOOKUP  The marker of a number, and the box time that was known when it was sent; empty.
            marker = [];
            since = uint64(0);
            at = find(accepted.numbers == number, 1);
            if ~isempty(at)
                marker = accepted.markers{at};
                since = accepted.since(at);
            end
        end

        function marker = take(accepted, number)
            %TAKE  The marker of a number, whose end is known; empty if there is none.
            marker = accepted.lookup(number);
            stays = accepted.numbers ~= number;
            accepted.keep(stays);
        end

        function markers = take_all(accepted)
            %TAKE_ALL  The box has forgotten them, or does not answer.
            markers = accepted.markers;
            accepted.newest = 0;
            accepted.keep(false(1, accepted.count));
        end

        function leaves = leave_a_place(accepted, asked, places, past_us, soon_s)
            %LEAVE_A_PLACE  Whether the box can still be asked about each of them if it accepts one
            %   marker more (PROTOCOL.md, 6.1): it gives away the place of the lowest number that
            %   does not wait. If not, that one's end is overdue from soon_s on. asked: markers ahead
            %   without an answer. past_us: box time behind which markers surely wait still.
            over = find(cellfun(@(marker) marker.at_us, accepted.markers) <= past_us);
            leaves = isempty(over);
            if ~leaves
                [lowest, at] = min(accepted.numbers(over));
                waits = sum(accepted.numbers < lowest);
                leaves = accepted.newest + 1 + asked - lowest + waits < places;
                if ~leaves
                    accepted.due_s(over(at)) = min(accepted.due_s(over(at)), soon_s);
                end
            end
        end

        function doubt(accepted)
            %DOUBT  Notices are missing: the ends of markers may be among them.
            accepted.due_s(:) = 0;
        end

        function number = overdue(accepted, now_s)
            %OVERDUE  Number of the one that is overdue for longest; 0: none is.
            [due_s, at] = min([accepted.due_s, Inf]);
            number = 0;
            if due_s < now_s
                number = accepted.numbers(at);
            end
        end

        function wait_until(accepted, number, due_s)
            %WAIT_UNTIL  It still waits for its time.
            accepted.due_s(accepted.numbers == number) = due_s;
            accepted.tries(accepted.numbers == number) = 0;
        end

        function tries = asked_in_vain(accepted, number)
            %ASKED_IN_VAIN  The box was asked, and did not answer. tries: how often by now.
            at = accepted.numbers == number;
            accepted.tries(at) = accepted.tries(at) + 1;
            tries = accepted.tries(at);
        end
    end

    methods (Access = private)
        function keep(accepted, stays)
            accepted.numbers = accepted.numbers(stays);
            accepted.markers = accepted.markers(stays);
            accepted.since = accepted.since(stays);
            accepted.due_s = accepted.due_s(stays);
            accepted.tries = accepted.tries(stays);
            accepted.count = numel(accepted.numbers);
        end
    end
end
